"""Rates of loss and remaining life, with intervals.

Definitions as API 570 section 7.1 and API 510 have them, from memory, their texts were not at hand:
the long-term rate is (initial thickness - present thickness) / years between, the short-term rate
(previous thickness - present thickness) / years between; the remaining life is (present thickness -
required thickness) / rate, by the larger of the two. Their intervals are ours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from swathe.errors import SwatheError

__all__ = ["Estimate", "Life", "estimate", "remaining_life"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval.

    Attributes:
        value: the value.
        standard: standard uncertainty; None where it is not known.
        dof: its degrees of freedom.
        low: lower end of the interval; None where none is stated.
        high: upper end.
    """

    value: float
    standard: float | None = None
    dof: float = math.inf
    low: float | None = None
    high: float | None = None

    @property
    def above_zero(self) -> bool:
        """Whether the whole interval is above zero."""
        return self.low is not None and self.low > 0

    @property
    def below_zero(self) -> bool:
        """Whether the whole interval is below zero."""
        return self.high is not None and self.high < 0

    def scaled(self, factor: float) -> Estimate:
        """Return the estimate times a factor, which may be negative."""
        ends = [None if end is None else end * factor for end in (self.low, self.high)]
        low, high = ends if factor >= 0 else ends[::-1]
        standard = None if self.standard is None else self.standard * abs(factor)
        return Estimate(self.value * factor, standard, self.dof, low, high)


def factor_of(dof: float, coverage: float) -> float:
    """Return the two-sided factor of Student's t."""
    from scipy.special import ndtri, stdtrit

    tail = (1 + coverage) / 2
    return float(ndtri(tail) if dof > 1e6 else stdtrit(dof, tail))


def estimate(
    value: float, standard: float | None, dof: float = math.inf, *, coverage: float = 0.95
) -> Estimate:
    """Return a value with the interval of Student's t; without one where `standard` is None."""
    if standard is None:
        return Estimate(value)
    half = factor_of(dof, coverage) * standard
    return Estimate(value, standard, dof, value - half, value + half)


@dataclass(frozen=True, slots=True)
class Life:
    """Remaining life to a required thickness, years.

    Attributes:
        kind: ``bounded``; ``unbounded`` where the interval of the rate holds 0, so that there is a
            lower end at most; ``reached`` where the thickness is not above the required one;
            ``growing`` where the wall reads thicker than before, which is no rate of loss;
            ``not stated`` where the rate has no interval.
        years: by the values alone; None where the rate is not above 0.
        low: lower end of the interval; None where none can be stated.
        high: upper end; None where there is none.
    """

    kind: Literal["bounded", "unbounded", "reached", "growing", "not stated"]
    years: float | None
    low: float | None
    high: float | None


def remaining_life(
    now: float,
    required: float,
    rate: Estimate,
    *,
    u_now: float = 0.0,
    covariance: float = 0.0,
    coverage: float = 0.95,
) -> Life:
    """Return the remaining life, with the interval for a ratio of two uncertain values.

    E. C. Fieller, Some problems in interval estimation, J. Royal Statistical Society B 16, 175
    (1954); from memory. With ``a = now - required``, all L with
    ``(a - L rate)² <= k² (u_now² - 2 L covariance + L² u_rate²)``.

    Args:
        now: present thickness, mm.
        required: thickness that a person states, mm.
        rate: of loss, mm/year.
        u_now: standard uncertainty of the present thickness, mm.
        covariance: of present thickness and rate; negative where a thickness that reads too
            thick makes the loss too small.
        coverage: level of confidence of the interval.

    Raises:
        SwatheError: a thickness that cannot be.
    """
    if not (math.isfinite(required) and required > 0 and math.isfinite(now)):
        message = f"the required thickness must be > 0 (got {required})"
        raise SwatheError(message)
    above = now - required
    if above <= 0:
        return Life("reached", 0.0, 0.0, 0.0)
    years = above / rate.value if rate.value > 0 else None
    if rate.standard is None:
        return Life("not stated", years, None, None)
    if rate.below_zero:
        return Life("growing", None, None, None)
    k = factor_of(rate.dof, coverage)
    # square L² - 2 half L + rest <= 0
    square = rate.value**2 - (k * rate.standard) ** 2
    half = above * rate.value - k**2 * covariance
    rest = above**2 - (k * u_now) ** 2
    if rest <= 0:
        # The thickness itself may be the required one already.
        upper = (
            (half + math.sqrt(max(half**2 - square * rest, 0.0))) / square if square > 0 else None
        )
        return Life("bounded" if square > 0 else "unbounded", years, 0.0, upper)
    root = math.sqrt(max(half**2 - square * rest, 0.0))
    if square > 0:
        return Life("bounded", years, max((half - root) / square, 0.0), (half + root) / square)
    # The interval of the rate holds 0: the fastest loss that it allows is a lower end.
    low = rest / (half + root) if half + root > 0 else None
    return Life("unbounded", years, low, None)
