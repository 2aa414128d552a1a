"""The line of time of flight over path that steps of a block lie on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats
from swathe.calibration.line_fit import fit_line, fit_slope

__all__ = ["Covariance", "StepFit", "fit_steps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariance:
    """Of zero offset and slope.

    Attributes:
        zero: variance of the zero offset, µs².
        slope: variance of the slope, µs²/mm².
        both: covariance, µs²/mm.
    """

    zero: float
    slope: float
    both: float

    def __add__(self, other: Covariance) -> Covariance:
        return Covariance(
            zero=self.zero + other.zero,
            slope=self.slope + other.slope,
            both=self.both + other.both,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFit:
    """The line ``time = zero + slope * path``; the slope is ``2 / velocity``.

    Attributes:
        zero: µs.
        slope: µs/mm.
        residuals: time less the line, µs, shape (n,).
        dof: steps less unknowns.
        zero_weights: of each step's time in the zero offset, shape (n,); zeros when it is given.
        slope_weights: of each step's time in the slope, 1/mm, shape (n,); zeros when it is given.
        by_given: what the given one of the two, changed by 1, does to zero and slope; None when
            both are sought.
    """

    zero: float
    slope: float
    residuals: Floats
    dof: int
    zero_weights: Floats
    slope_weights: Floats
    by_given: tuple[float, float] | None

    @property
    def scatter(self) -> float:
        """Standard deviation about the line, µs; NaN without degrees of freedom."""
        if not self.dof:
            return math.nan
        return math.sqrt(float(self.residuals @ self.residuals) / self.dof)

    def covariance(self, variances: Floats) -> Covariance:
        """Return what independent `variances` of the steps' times (µs², shape (n,)) come to."""
        a, b = self.zero_weights, self.slope_weights
        return Covariance(
            zero=float(a * a @ variances),
            slope=float(b * b @ variances),
            both=float(a * b @ variances),
        )

    def covariance_of_given(self, u: float) -> Covariance:
        """Return what the standard uncertainty `u` of the given one of the two comes to."""
        if self.by_given is None:
            return Covariance(zero=0.0, slope=0.0, both=0.0)
        zero, slope = self.by_given
        return Covariance(zero=(zero * u) ** 2, slope=(slope * u) ** 2, both=zero * slope * u * u)


def fit_steps(
    paths: Floats,
    times: Floats,
    *,
    velocity: float | None,
    zero_offset: float | None,
    weights: Floats | None = None,
) -> StepFit:
    """Return the line through the steps: zero, slope or both are sought, by least squares.

    Args:
        paths: from an element to the back wall, mm, shape (n,).
        times: of flight, µs, shape (n,).
        velocity: mm/µs, when it is given; `by_given` is then per µs/mm of slope.
        zero_offset: µs, when it is given; not both.
        weights: of the steps, > 0, shape (n,), in any unit; None for equal ones. The line is then
            that of the least sum of weighted squares (best where each is the inverse of the
            variance of the step's time; a textbook formula, such as in Draper and Smith, Applied
            Regression Analysis; from memory).

    Raises:
        CalibrationError: paths that determine no line.
    """
    n = paths.size
    none = np.zeros(n)
    share = np.full(n, 1 / n) if weights is None else weights / float(weights.sum())
    if velocity is not None:
        slope, centre = 2 / velocity, float(share @ paths)
        zero = float(share @ (times - slope * paths))
        return StepFit(
            zero=zero,
            slope=slope,
            residuals=times - slope * paths - zero,
            dof=n - 1,
            zero_weights=share,
            slope_weights=none,
            by_given=(-centre, 1.0),
        )
    if zero_offset is not None:
        line = fit_slope(paths, times - zero_offset, weights=share)
        in_slope = share * paths / float(share @ (paths * paths))
        return StepFit(
            zero=zero_offset,
            slope=line.slope,
            residuals=line.residuals,
            dof=line.dof,
            zero_weights=none,
            slope_weights=in_slope,
            by_given=(1.0, -float(in_slope.sum())),
        )
    line = fit_line(paths, times, weights=share)
    apart = paths - line.centre
    in_slope = share * apart / float(share @ (apart * apart))
    return StepFit(
        zero=line.intercept,
        slope=line.slope,
        residuals=line.residuals,
        dof=line.dof,
        zero_weights=share - line.centre * in_slope,
        slope_weights=in_slope,
        by_given=None,
    )
