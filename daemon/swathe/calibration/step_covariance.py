"""Uncertainty of velocity and zero offset: from couplings, from readings, or from the scatter of steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats
from swathe.calibration.contradictions import StepTable
from swathe.calibration.couplings import CouplingBasis
from swathe.calibration.step_fit import Covariance, StepFit

__all__ = ["NOT_COVERED", "Spread", "basis_of", "covariance_of"]

NOT_COVERED = (
    "couplant and probe handling are not covered: couple each step several times, or state "
    "uncertainty.coupling in the station file; no level of confidence is stated"
)
"""The words for a calibration with one coupling per step and nothing stated."""

# The scatter about the line replaces what repetition gives where chance explains it in fewer than
# 1 of 100 calibrations (our choice). A test at 1 in 20 would widen the interval too often.
_LACK_OF_FIT = 0.99


@dataclass(frozen=True, slots=True)
class Spread:
    """How far velocity and zero offset may be off.

    Attributes:
        covariance: of zero offset and slope.
        dof: degrees of freedom of it, 1 or more, perhaps infinite.
        basis: where it comes from, in words.
        lack_of_fit: whether the steps scatter about the line by more than they repeat.
    """

    covariance: Covariance
    dof: float
    basis: str
    lack_of_fit: bool


def covariance_of(table: StepTable, fit: StepFit, u_given: float) -> Spread:
    """Return the covariance of zero offset and slope.

    It is propagated from the repetition of each step, the resolution and the block's thicknesses.
    With more than two steps the scatter about the line tests it: F of the scatter against what
    the repetition gives (lack of fit against pure error, a textbook test, such as in Draper and
    Smith, Applied Regression Analysis; from memory). Where chance does not explain the scatter, it
    takes the place of the propagated one. Without couplant in the propagated one the greater of the
    two is taken.

    Args:
        table: the steps.
        fit: the line through them.
        u_given: standard uncertainty of the given one of slope (µs/mm) and zero offset (µs).
    """
    per_mm = fit.slope * table.thickness / table.paths
    blocks = per_mm * np.array([step.u_thickness for step in table.steps])
    repeated = table.repeated
    variances = repeated + table.stated + blocks**2
    given = fit.covariance_of_given(u_given)
    inside = fit.covariance(variances)
    # The weights of what is sought; where both are, those of the slope serve for both.
    weights = fit.slope_weights if table.velocity is None else fit.zero_weights

    def sought(covariance: Covariance) -> float:
        return covariance.slope if table.velocity is None else covariance.zero

    # At the thickness of the block's own steps the given value's share cancels and what the couplings
    # give remains: it must not raise their degrees of freedom.
    measured = bool(table.scatter.dof)
    total = sought(inside) + (0.0 if measured else sought(given))
    dof = _freedom(table, weights, repeated, total)
    outside = fit.covariance(np.full(len(table.steps), fit.scatter**2)) if fit.dof else inside
    if fit.dof and _lack_of_fit(table, fit, variances, dof, outside, inside):
        own = sought(outside)
        freedom = "1 degree" if fit.dof == 1 else f"{fit.dof} degrees"
        basis = (
            f"from the scatter of the steps about the line, with {freedom} of freedom; it is more "
            f"than {_repetition(table)} give"
        )
        spread = fit.dof * (1.0 if measured else ((own + sought(given)) / own) ** 2)
        return Spread(outside + given, spread, _ended(basis, table, fit), lack_of_fit=True)
    basis = (
        f"propagated from {_propagated(table)}, the resolution of the time and the uncertainty of "
        "the block's thicknesses"
    )
    if fit.dof:
        alone = basis_of(table) is CouplingBasis.NOT_COVERED
        basis += (
            "; it is more than their scatter about the line"
            if alone
            else "; the scatter of the steps about the line agrees with it"
        )
    return Spread(inside + given, dof, _ended(basis, table, fit), lack_of_fit=False)


def _freedom(table: StepTable, weights: Floats, repeated: Floats, total: float) -> float:
    """Return the degrees of freedom of `total` (Welch and Satterthwaite, JCGM 100 G.4.1)."""
    shares = weights * weights * repeated
    if table.scatter.dof:
        # One estimate for all steps: its shares are not independent and add up first.
        squares = float(shares.sum()) ** 2 / table.scatter.dof
    else:
        dofs = np.array([max(step.readings - 1, 1) for step in table.steps])
        squares = float(np.sum(shares**2 / dofs))
    return max(total**2 / squares, 1.0) if squares else np.inf


def _lack_of_fit(
    table: StepTable,
    fit: StepFit,
    variances: Floats,
    dof: float,
    outside: Covariance,
    inside: Covariance,
) -> bool:
    if basis_of(table) is CouplingBasis.NOT_COVERED:
        return _at_steps(outside, table) > _at_steps(inside, table)
    squares = float(fit.residuals @ fit.residuals)
    if not (variances > 0).all():
        return squares > 0
    from scipy.special import chdtri, fdtri

    ratio = float(fit.residuals @ (fit.residuals / variances)) / fit.dof
    if np.isinf(dof):
        return ratio > float(chdtri(fit.dof, 1 - _LACK_OF_FIT)) / fit.dof
    return ratio > float(fdtri(fit.dof, dof, _LACK_OF_FIT))


def basis_of(table: StepTable) -> CouplingBasis:
    """Return what the couplant's share rests on."""
    if table.scatter.dof:
        return CouplingBasis.MEASURED
    return CouplingBasis.NOT_COVERED if table.coupling is None else CouplingBasis.STATED


def _repetition(table: StepTable) -> str:
    return "the couplings" if table.scatter.dof else "the readings on each step"


def _propagated(table: StepTable) -> str:
    scatter = table.scatter
    if scatter.dof:
        freedom = "1 degree" if scatter.dof == 1 else f"{scatter.dof} degrees"
        return (
            f"the repeatability between couplings, {scatter.between * 1000:.1f} ns with {freedom} of "
            "freedom, all steps pooled"
        )
    if table.coupling is not None:
        return (
            f"the stated repeatability between couplings, {table.coupling * 1000:g} ns, the scatter "
            "of the readings on each step"
        )
    return "the scatter of the readings on each step"


def _ended(basis: str, table: StepTable, fit: StepFit) -> str:
    ending = "" if fit.by_given is None else ", with the uncertainty of the value given"
    words = f"; {NOT_COVERED}" if basis_of(table) is CouplingBasis.NOT_COVERED else ""
    return basis + ending + words


def _at_steps(covariance: Covariance, table: StepTable) -> float:
    """Return the variance of the line, summed over the steps, µs²."""
    p = table.paths
    return float(np.sum(covariance.zero + p * p * covariance.slope + 2 * p * covariance.both))
