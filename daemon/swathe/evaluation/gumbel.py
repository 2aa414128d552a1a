"""The Gumbel distribution of maxima: fit by maximum likelihood, and what is free of its parameters.

Location and scale by maximum likelihood follow a shift and a stretch of the data, so that what a fit
misses by, in units of the fitted scale, has the same distribution whatever the true values are
(J. F. Lawless, Statistical Models and Methods for Lifetime Data; from memory). That distribution is drawn
here from the standard Gumbel distribution, with a seed: intervals from it are exact but for the
number of draws, however few data there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats

__all__ = ["GumbelFit", "GumbelPivots", "anderson_darling", "fit_gumbel", "gumbel_pivots"]

_STEPS = 100
_CLOSE = 1e-12


@dataclass(frozen=True, slots=True)
class GumbelFit:
    """Location and scale of Gumbel distributions, each of shape (...)."""

    location: Floats
    scale: Floats

    def log_likelihood(self, values: Floats) -> float:
        """Return the log likelihood of values, shape (n,), of a single distribution."""
        reduced = (values - self.location) / self.scale
        return float(np.sum(-np.log(self.scale) - reduced - np.exp(-reduced)))


@dataclass(frozen=True, slots=True)
class GumbelPivots:
    """Draws of what a fit of `n` data misses by, in units of the fitted scale, each of shape (draws,).

    Attributes:
        location: fitted location of draws from the standard distribution, whose location is 0.
        scale: fitted scale, whose true value is 1.
        statistic: Anderson-Darling distance of the draws from their fit.
    """

    location: Floats
    scale: Floats
    statistic: Floats


def fit_gumbel(values: Floats) -> GumbelFit:
    """Return the maximum likelihood fit along the last axis.

    The scale solves s = mean(x) - sum(x w) / sum(w) with w = exp(-x / s), by Newton's method.

    Args:
        values: not all equal, shape (..., n).
    """
    mean = values.mean(axis=-1)
    shifted = values - mean[..., None]
    scale = np.maximum(values.std(axis=-1) * np.sqrt(6) / np.pi, np.finfo(float).tiny)
    for _ in range(_STEPS):
        weights = np.exp(-(shifted - shifted.min(axis=-1, keepdims=True)) / scale[..., None])
        total = weights.sum(axis=-1)
        first = (shifted * weights).sum(axis=-1) / total
        second = (shifted**2 * weights).sum(axis=-1) / total
        # d/ds of s + first(s): the weights' variance over s².
        step = (scale + first) / (1 + (second - first**2) / scale**2)
        scale = np.maximum(scale - step, scale / 4)
        if np.all(np.abs(step) <= _CLOSE * scale):
            break
    lowest = shifted.min(axis=-1, keepdims=True)
    weights = np.exp(-(shifted - lowest) / scale[..., None])
    location = mean + lowest[..., 0] - scale * np.log(weights.mean(axis=-1))
    return GumbelFit(np.asarray(location), np.asarray(scale))


def anderson_darling(values: Floats, fit: GumbelFit) -> Floats:
    """Return the Anderson-Darling distance A² of values from their fit, along the last axis.

    A² = -n - sum((2 i - 1) (ln F(i) + ln(1 - F(n + 1 - i)))) / n
    (T. W. Anderson, D. A. Darling, J. Am. Stat. Assoc. 49, 1954; from memory).
    """
    ordered = np.sort(values, axis=-1)
    reduced = (ordered - fit.location[..., None]) / fit.scale[..., None]
    n = values.shape[-1]
    log_below = -np.exp(-reduced)
    log_above = np.log(np.maximum(-np.expm1(log_below), np.finfo(float).tiny))
    weights = 2 * np.arange(1, n + 1) - 1
    return np.asarray(-n - np.sum(weights * (log_below + log_above[..., ::-1]), axis=-1) / n)


def gumbel_pivots(n: int, draws: int, random: np.random.Generator) -> GumbelPivots:
    """Return draws of the fit of `n` data of the standard Gumbel distribution."""
    drawn = random.gumbel(size=(draws, n))
    fit = fit_gumbel(drawn)
    return GumbelPivots(fit.location, fit.scale, anderson_darling(drawn, fit))
