"""A straight line through points by least squares, with its uncertainties.

Formulas: JCGM 100:2008 (GUM), annex H.3 (its text was not at hand; its worked example and NIST's
reference data sets are reproduced in the tests). Sums are taken about the mean, so that a far-off
origin costs no digits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from swathe.arrays import Floats
from swathe.errors import CalibrationError

__all__ = ["LineFit", "fit_line", "fit_slope"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """The line ``y = intercept + slope * x``.

    Uncertainties are standard ones, from the scatter about the line; they are NaN when there are no
    more points than unknowns.

    Attributes:
        intercept: y at x = 0.
        slope: y per x.
        u_intercept: of the intercept; 0 of a line held at the origin.
        u_slope: of the slope.
        correlation: of intercept and slope, -1 … 1; 0 of a line held at the origin.
        residuals: y less the line, shape (n,).
        residual_sd: ``sqrt(sum(weights residuals²) / dof)``, weights of mean 1.
        dof: points less unknowns.
        centre: the x at which y and slope are uncorrelated: the (weighted) mean of x, or the origin
            that the line is held at.
        u_centre: of y there.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    residuals: Floats
    residual_sd: float
    dof: int
    centre: float
    u_centre: float

    def predict(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Return the line at `x` and its standard uncertainty, each of the shape of `x`.

        The uncertainty is that of the line, not of a further reading; it is reckoned from the
        centre, which is the same as taking in the correlation (JCGM 100 H.3.5).
        """
        at = np.asarray(x, np.float64)
        y = self.intercept + self.slope * at
        return np.asarray(y), np.asarray(np.hypot(self.u_centre, self.u_slope * (at - self.centre)))


def fit_line(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None) -> LineFit:
    """Return the line that fits best.

    Args:
        x: taken as exact, shape (n,), n >= 2.
        y: of equal uncertainty, or of variances as the inverse of `weights`, shape (n,).
        weights: > 0, in any unit, shape (n,): the sum of weighted squares is least. With weights
            the formulas are those of `numpy.polyfit` with their square roots, which the tests
            compare.

    Raises:
        CalibrationError: fewer than two points, all at one x, or one that is no number; give points
            at two or more different x.
    """
    at, values = _points(x, y, minimum=2)
    n = at.size
    w = _weights(weights, n)
    centre = float((w * at).mean())
    apart = at - centre
    square = float(apart @ (w * apart))
    if not square > 0:
        msg = f"a line needs points at two or more different x (got {n} at {centre:g})"
        raise CalibrationError(msg)
    height = float((w * values).mean())
    slope = float((w * apart) @ (values - height)) / square
    residuals = (values - height) - slope * apart
    dof = n - 2
    sd = math.sqrt(float(residuals @ (w * residuals)) / dof) if dof else math.nan
    # Of the variance of the intercept in units of the residuals' variance: 1/n + centre²/square.
    spread = 1 / n + centre * centre / square
    return LineFit(
        intercept=height - slope * centre,
        slope=slope,
        u_intercept=sd * math.sqrt(spread),
        u_slope=sd / math.sqrt(square),
        correlation=-centre / math.sqrt(square * spread),
        residuals=residuals,
        residual_sd=sd,
        dof=dof,
        centre=centre,
        u_centre=sd / math.sqrt(n),
    )


def fit_slope(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None) -> LineFit:
    """Return the line through the origin that fits best: ``slope = sum(w x y) / sum(w x²)``.

    Args:
        x: taken as exact, shape (n,), n >= 1.
        y: of equal uncertainty, or of variances as the inverse of `weights`, shape (n,).
        weights: > 0, in any unit, shape (n,); None for equal ones.

    Raises:
        CalibrationError: no point away from the origin, or one that is no number; give one.
    """
    at, values = _points(x, y, minimum=1)
    w = _weights(weights, at.size)
    square = float(at @ (w * at))
    if not square > 0:
        msg = "a line through the origin needs a point away from it (got none)"
        raise CalibrationError(msg)
    slope = float((w * at) @ values) / square
    residuals = values - slope * at
    dof = at.size - 1
    sd = math.sqrt(float(residuals @ (w * residuals)) / dof) if dof else math.nan
    return LineFit(
        intercept=0.0,
        slope=slope,
        u_intercept=0.0,
        u_slope=sd / math.sqrt(square),
        correlation=0.0,
        residuals=residuals,
        residual_sd=sd,
        dof=dof,
        centre=0.0,
        u_centre=0.0,
    )


def _weights(weights: ArrayLike | None, n: int) -> Floats:
    """Return weights of mean 1."""
    if weights is None:
        return np.ones(n)
    w = np.asarray(weights, np.float64)
    if w.shape != (n,) or not (np.isfinite(w).all() and (w > 0).all()):
        msg = f"a line needs a weight > 0 for each of its {n} points (got {w.tolist()})"
        raise CalibrationError(msg)
    return w / float(w.mean())


def _points(x: ArrayLike, y: ArrayLike, *, minimum: int) -> tuple[Floats, Floats]:
    at, values = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if at.ndim != 1 or at.shape != values.shape or at.size < minimum:
        msg = f"a line needs as many x as y, {minimum} or more (got shapes {at.shape}, {values.shape})"
        raise CalibrationError(msg)
    bad = np.flatnonzero(~(np.isfinite(at) & np.isfinite(values)))
    if bad.size:
        k = int(bad[0])
        msg = f"point {k + 1} must be two finite numbers (got {at[k]}, {values[k]}): leave it out"
        raise CalibrationError(msg)
    return at, values
