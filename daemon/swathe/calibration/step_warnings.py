"""What should be looked at after a calibration that holds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from swathe.calibration.contradictions import StepTable
from swathe.calibration.corrections import half_path
from swathe.calibration.couplings import CouplingBasis, round_drift
from swathe.calibration.step_covariance import Spread, basis_of
from swathe.calibration.step_fit import StepFit

__all__ = ["warnings_of"]

# A step so far off the line is warned of, if it is also beyond three of its uncertainties (our choice).
_NOTABLE_MM = 0.05
_SURE = 3.0
# A zero offset below zero by no more than this is a matter of where an instrument counts from.
_NOTABLE_US = 0.05
# Rounds that differ by less are no matter for any wall: 1 ns is 3 µm of steel.
_NOTABLE_DRIFT_US = 0.001
_LOOKS_ALIKE = 0.02


def warnings_of(
    table: StepTable,
    fit: StepFit,
    spread: Spread,
    *,
    residuals: Sequence[float],
    u_velocity: float,
    u_zero: float,
) -> tuple[str, ...]:
    """Return warnings, in words.

    Args:
        table: the steps.
        fit: the line through them.
        spread: of the line.
        residuals: thickness by the calibration less that of the block, mm.
        u_velocity: standard uncertainty, mm/µs.
        u_zero: standard uncertainty, µs.
    """
    return tuple(_warnings(table, fit, spread, residuals, u_velocity, u_zero))


def _warnings(
    table: StepTable,
    fit: StepFit,
    spread: Spread,
    residuals: Sequence[float],
    u_velocity: float,
    u_zero: float,
) -> Iterator[str]:
    units = table.units
    for step, residual, u in zip(table.steps, residuals, table.u_times.tolist(), strict=True):
        if abs(residual) > max(_NOTABLE_MM, _SURE * u / fit.slope):
            yield (
                f"{step.label(units)} is {units.difference_text(residual, sign=True)} off the calibration: "
                "clean and couple it again, and read it again"
            )
        if step.readings == 1:
            yield f"{step.label(units)} was read once, so that its scatter is not known: read it again"
    # Without couplant in the uncertainty the scatter about the line is expected to exceed it.
    if spread.lack_of_fit and basis_of(table) is not CouplingBasis.NOT_COVERED:
        worst = max(range(len(residuals)), key=lambda k: abs(residuals[k]))
        yield (
            "the steps are further off the line than coupling again explains, most of all "
            f"{table.steps[worst].label(units)}: look at the block's thicknesses and their uncertainty, and "
            "at the echo that the gate is on"
        )
    drift = round_drift([step.each_coupling for step in table.steps])
    if drift > max(_NOTABLE_DRIFT_US, table.resolution):
        yield (
            f"the rounds differ by up to {drift * 1000:.0f} ns on all steps alike, more than by chance: "
            "something drifts or was done differently, such as a probe that warms up, and the "
            "uncertainties do not cover it; wait, and couple the steps again"
        )
    sought_both = table.velocity is None and table.zero_offset is None
    if sought_both and fit.zero < -max(_NOTABLE_US, _SURE * u_zero):
        yield (
            f"the zero offset is {fit.zero:.3f} µs, below zero: look whether the gate was on "
            "the first back wall of the thicker steps"
        )
    if table.velocity is not None and len(table.steps) == 1:
        thickness, separation = table.steps[0].thickness, table.separation
        more = half_path(np.array([2 * thickness, thickness]), separation)
        trip = fit.slope * float(more[0] - more[1])
        if abs(fit.zero / trip - 1) < _LOOKS_ALIKE:
            yield (
                f"the zero offset of {fit.zero:.3f} µs is as long as one more trip through "
                f"{table.steps[0].label(units)}: look whether the gate was on the second back wall"
            )
    if u_velocity == 0 and u_zero == 0:
        yield (
            "neither scatter nor resolution nor the block's uncertainty was given: "
            "the uncertainties of velocity and zero offset come out as zero, which they are not"
        )
