"""Counts per mm of an encoder from rolling known lengths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["RolledScale", "scale_of_rolls"]


@dataclass(frozen=True, slots=True)
class RolledScale:
    """The scale that several rolls give.

    Attributes:
        counts_per_mm: signed; negative when the counts fall as the encoder is rolled on.
        error: standard error of it, counts/mm; NaN of a single roll.
        each: counts per mm of each roll.
        spread: greatest difference between two rolls, of the mean, in percent.
    """

    counts_per_mm: float
    error: float
    each: tuple[float, ...]
    spread: float


def scale_of_rolls(lengths: Sequence[float], counts: Sequence[float]) -> RolledScale:
    """Return the scale that fits all rolls best.

    Least squares of a line through the origin, ``counts = scale * length``: a long roll weighs more
    than a short one. ``scale = sum(x y) / sum(x²)``, its standard error ``s / sqrt(sum(x²))`` with
    ``s² = sum(residual²) / (n - 1)`` (NIST/SEMATECH e-Handbook of Statistical Methods, linear
    regression without intercept; from memory).

    Args:
        lengths: rolled, mm, each above zero, shape (n,).
        counts: by which the counter moved, shape (n,).

    Raises:
        ValueError: no roll, a length that is not above zero, or an encoder that did not move; roll
            it again.
    """
    if not lengths or len(lengths) != len(counts):
        msg = "at least one roll is needed, each with its length and its counts"
        raise ValueError(msg)
    x, y = np.asarray(lengths, np.float64), np.asarray(counts, np.float64)
    if not (np.all(np.isfinite(x)) and np.all(x > 0)):
        msg = f"rolled lengths must be > 0 mm (got {list(lengths)!r})"
        raise ValueError(msg)
    if np.any(y == 0):
        msg = "the counter did not move on one of the rolls: is it the right device and column?"
        raise ValueError(msg)
    square = float(x @ x)
    scale = float(x @ y) / square
    error = float("nan")
    if x.size > 1:
        residual = y - scale * x
        error = float(np.sqrt(residual @ residual / (x.size - 1) / square))
    each = y / x
    spread = float((each.max() - each.min()) / abs(scale) * 100)
    return RolledScale(scale, error, tuple(each.tolist()), spread)
