"""Which of many differences are more than errors explain, at a stated level over all of them."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Floats

__all__ = ["benjamini_hochberg", "one_sided"]

# Student's t of so many degrees of freedom is the normal distribution's to six digits.
_NORMAL_DOF = 1e6


def one_sided(ratio: Floats, dof: Floats | float) -> Floats:
    """Return the probability of a ratio this high or higher where the true one is 0.

    Args:
        ratio: differences in their standard uncertainties.
        dof: degrees of freedom of these; Student's t.
    """
    from scipy.special import ndtr, stdtr

    freedom = np.broadcast_to(np.asarray(dof, np.float64), ratio.shape)
    with np.errstate(invalid="ignore"):
        normal, student = ndtr(-ratio), stdtr(np.minimum(freedom, _NORMAL_DOF), -ratio)
        return np.asarray(np.where(freedom > _NORMAL_DOF, normal, student), np.float64)


def benjamini_hochberg(probability: Floats, level: float) -> tuple[Bools, float]:
    """Return which hypotheses are rejected, and the highest probability that is.

    Y. Benjamini and Y. Hochberg, Controlling the false discovery rate, J. Royal Statistical
    Society B 57, 289 (1995): of the rejected ones no more than `level` are false, on average; where
    none is true, any is rejected as often at most. That it holds for one-sided tests whose errors
    are positively related, as those of cells that share an error are, is due to Benjamini and Yekutieli,
    Annals of Statistics 29, 1165 (2001). Both from memory; the tests compare it with
    `scipy.stats.false_discovery_control`.

    Args:
        probability: of each hypothesis, any shape; NaN is none.
        level: share of false ones, between 0 and 1.
    """
    known = np.isfinite(probability)
    ranked = np.sort(probability[known])
    count = ranked.size
    below = np.flatnonzero(ranked <= level * np.arange(1, count + 1) / max(count, 1))
    if not below.size:
        return np.zeros(probability.shape, np.bool_), 0.0
    limit = float(ranked[below[-1]])
    with np.errstate(invalid="ignore"):
        return np.asarray(known & (probability <= limit)), limit
