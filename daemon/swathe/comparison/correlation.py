"""How alike two maps are at every shift against each other, where both were measured."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Floats

__all__ = ["masked_correlation"]


def masked_correlation(
    one: Floats,
    one_known: Bools,
    other: Floats,
    other_known: Bools,
    *,
    wrapped: tuple[bool, bool] = (False, False),
    least_share: float = 0.3,
) -> Floats:
    """Return Pearson's correlation of two maps of one shape at every shift of the second one.

    Mean and variance are of the overlap at that shift, in which both are known: D. Padfield, Masked
    object registration in the Fourier domain, IEEE Transactions on Image Processing 21, 2706
    (2012); from memory. The tests compare it with a direct computation.

    Args:
        one: first map, shape (rows, columns).
        one_known: where it has a value.
        other: second map.
        other_known: where it has a value.
        wrapped: whether rows and columns are on a circumference.
        least_share: of the smaller number of known values; with less overlap the result is NaN.

    Returns:
        At ``[dy, dx]`` the correlation of ``one[y + dy, x + dx]`` with ``other[y, x]``; negative
        shifts count from the end, as in a discrete Fourier transform.
    """
    from scipy.fft import irfft2, next_fast_len, rfft2

    shape = tuple(
        size if turns else next_fast_len(2 * size - 1, real=True)
        for size, turns in zip(one.shape, wrapped, strict=True)
    )
    level_one, level_other = (
        float(each[known].mean()) if known.any() else 0.0
        for each, known in ((one, one_known), (other, other_known))
    )
    a, b = (
        np.where(one_known, one - level_one, 0.0),
        np.where(other_known, other - level_other, 0.0),
    )
    fa, fm = rfft2(a, shape), rfft2(one_known.astype(np.float64), shape)
    fb, fn = (np.conj(rfft2(each, shape)) for each in (b, other_known.astype(np.float64)))
    faa, fbb = rfft2(a * a, shape), np.conj(rfft2(b * b, shape))

    def back(spectrum: Floats) -> Floats:
        return np.asarray(irfft2(spectrum, shape))

    overlap = np.round(back(fm * fn))
    least = max(3.0, least_share * min(np.count_nonzero(one_known), np.count_nonzero(other_known)))
    with np.errstate(invalid="ignore", divide="ignore"):
        sum_a, sum_b = back(fa * fn), back(fm * fb)
        covariance = back(fa * fb) - sum_a * sum_b / overlap
        variances = (back(faa * fn) - sum_a**2 / overlap) * (back(fm * fbb) - sum_b**2 / overlap)
        # What rounding leaves of a variance is none.
        scale = np.square(a).sum() * np.square(b).sum()
        found = np.where(
            (overlap >= least) & (variances > 1e-12 * scale),
            covariance / np.sqrt(np.maximum(variances, 1e-300)),
            np.nan,
        )
    return np.asarray(found)
