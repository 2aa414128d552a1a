"""Uncertainty of velocity and zero offset: from their own readings, or from their scatter."""

from __future__ import annotations

import math

import numpy as np

from swathe.calibration.contradictions import StepTable
from swathe.calibration.step_fit import Covariance, StepFit

__all__ = ["covariance_of"]

_PROPAGATED = (
    "propagated from the scatter of the readings on each step, the resolution of the time and the "
    "uncertainty of the block's thicknesses"
)


def covariance_of(table: StepTable, fit: StepFit, u_given: float) -> tuple[Covariance, float, str]:
    """Return the covariance of zero offset and slope.

    The covariance from the steps' own readings and that from their scatter about the line are kept
    apart, and the greater is taken; which it is, is judged by the variance of the line summed over
    the steps, where zero offset and slope act together.

    Args:
        table: the steps.
        fit: the line through them.
        u_given: standard uncertainty of the given one of slope (µs/mm) and zero offset (µs).

    Returns:
        The covariance, its degrees of freedom (Welch and Satterthwaite, JCGM 100 G.4.1; infinite
        where nothing was repeated), and its basis as a text.
    """
    per_mm = fit.slope * table.thickness / table.paths
    blocks = per_mm * np.array([step.u_thickness for step in table.steps])
    variances = table.u_times**2 + blocks**2
    given = fit.covariance_of_given(u_given)
    ending = "" if fit.by_given is None else ", with the uncertainty of the value given"
    inside = fit.covariance(variances)
    # The weights of what is sought; where both are, those of the slope serve for both.
    weights = fit.slope_weights if table.velocity is None else fit.zero_weights

    def sought(covariance: Covariance) -> float:
        return covariance.slope if table.velocity is None else covariance.zero

    if fit.dof:
        outside = fit.covariance(np.full(len(table.steps), fit.scatter**2))
        if _at_steps(outside, table) > _at_steps(inside, table):
            own = sought(outside)
            total = own + sought(given)
            freedom = "1 degree" if fit.dof == 1 else f"{fit.dof} degrees"
            basis = (
                f"from the scatter of the steps about the line, with {freedom} of freedom; "
                "it is more than the readings on each step give"
            )
            return outside + given, fit.dof * (total / own) ** 2, basis + ending
    total = sought(inside) + sought(given)
    repeated = math.fsum(
        (w * w * step.sd**2 / step.readings) ** 2 / (step.readings - 1)
        for w, step in zip(weights.tolist(), table.steps, strict=True)
        if step.readings > 1
    )
    basis = _PROPAGATED + ("; it is more than their scatter about the line" if fit.dof else "")
    return inside + given, (total**2 / repeated if repeated else math.inf), basis + ending


def _at_steps(covariance: Covariance, table: StepTable) -> float:
    """Return the variance of the line, summed over the steps, µs²."""
    p = table.paths
    return float(np.sum(covariance.zero + p * p * covariance.slope + 2 * p * covariance.both))
