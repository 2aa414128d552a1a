"""From readings on the steps of a block to velocity and zero offset, and how well they are known.

The line ``time = zero + (2 / velocity) * path``, where the path of a dual-element probe is the side
of a triangle (see `corrections`), so that its V-path is in the calibration as it is in the readings.
The relation for two steps, ``velocity = 2 (d2 - d1) / (t2 - t1)``, is that of ASTM E797 and E494
(from memory). Uncertainties of the steps' thicknesses are taken as independent of one another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from swathe.calibration.contradictions import StepTable, find_contradiction
from swathe.calibration.couplings import CouplingBasis, coupling_scatter
from swathe.calibration.law import ThicknessLaw
from swathe.calibration.materials import material_named, plausible
from swathe.calibration.step_covariance import basis_of, covariance_of
from swathe.calibration.step_reading import StepReading
from swathe.calibration.step_warnings import warnings_of
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import CalibrationError

__all__ = ["StepsResult", "solve_steps"]

# A velocity less sure than this is of no use: 0.1 mm on a wall of 10 mm.
_WORST_VELOCITY = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class StepsResult:
    """The result of a calibration on a step block.

    Attributes:
        steps: thinnest first.
        velocity: mm/µs.
        zero_offset: µs.
        separation: of the V-path that was taken in, mm; 0 for none.
        u_velocity: standard uncertainty, mm/µs.
        u_zero_offset: standard uncertainty, µs.
        correlation: of the two, -1 … 1; 0 when one of them is taken as exact.
        residuals: thickness by this calibration less that of the block, mm, one for each step.
        dof: steps less unknowns.
        u_dof: degrees of freedom of the uncertainties, 1 or more, perhaps infinite.
        method: how it was found, in words.
        basis: where the uncertainties come from, in words.
        coupling: standard deviation of a reading by coupling again, µs; NaN where it is not known.
        coupling_dof: its degrees of freedom; infinite where it is stated.
        coupling_basis: whether it is measured, stated or not covered.
        warnings: what should be looked at, in words.
    """

    steps: tuple[StepReading, ...]
    velocity: float
    zero_offset: float
    separation: float
    u_velocity: float
    u_zero_offset: float
    correlation: float
    residuals: tuple[float, ...]
    dof: int
    u_dof: float
    method: str
    basis: str
    coupling: float
    coupling_dof: float
    coupling_basis: CouplingBasis
    warnings: tuple[str, ...]

    def law(self) -> ThicknessLaw:
        """Return the law at the block's own temperature."""
        return ThicknessLaw(
            velocity=self.velocity, zero_offset=self.zero_offset, separation=self.separation
        )

    @property
    def repeatability(self) -> float:
        """Standard deviation of single readings while the probe is held, all steps pooled, mm.

        NaN when no coupling has two readings. The V-path, by which a thin wall scatters more, is
        left out.
        """
        scatter = coupling_scatter([step.each_coupling for step in self.steps])
        return scatter.within * self.velocity / 2


def solve_steps(
    steps: Sequence[StepReading],
    *,
    velocity: float | None = None,
    zero_offset: float | None = None,
    u_velocity: float = 0.0,
    u_zero_offset: float = 0.0,
    separation: float = 0.0,
    material: str | None = None,
    time_resolution_us: float = 0.0,
    coupling_us: float | None = None,
    units: DisplayUnits = MILLIMETRES,
) -> StepsResult:
    """Return velocity and zero offset by least squares over the steps.

    Args:
        steps: in any order. One is enough when `velocity` or `zero_offset` is given.
        velocity: mm/µs, to seek only the zero offset.
        zero_offset: µs, to seek only the velocity.
        u_velocity: standard uncertainty of the velocity given, mm/µs.
        u_zero_offset: standard uncertainty of the zero offset given, µs.
        separation: between the two elements of a dual-element probe, mm; 0 for no V-path.
        material: name in the table of materials, to look whether the velocity can be.
        time_resolution_us: width of the time's last digit, or of a sample, µs.
        coupling_us: stated standard deviation of a reading by coupling again, µs. It is used where
            no step was coupled twice, in place of what nobody measured.
        units: in which errors and warnings write lengths.

    Raises:
        CalibrationError: too few steps for what is sought, or steps that contradict each other
            (too close, swapped, read twice, an echo skipped); the text names them and the remedy.
    """
    _check_given(len(steps), velocity, zero_offset)
    for name, value in (
        ("u_velocity", u_velocity),
        ("u_zero_offset", u_zero_offset),
        ("separation", separation),
        ("time_resolution_us", time_resolution_us),
        ("coupling_us", coupling_us or 0.0),
    ):
        if not (math.isfinite(value) and value >= 0):
            msg = f"'{name}' must be >= 0 (got {value})"
            raise CalibrationError(msg)
    entry = None if material is None else material_named(material)
    table = StepTable(
        steps=sorted(steps, key=lambda step: (step.thickness, step.time_of_flight)),
        separation=separation,
        velocity=velocity,
        zero_offset=zero_offset,
        resolution=time_resolution_us,
        coupling=coupling_us,
        units=units,
        plausible=None if entry is None else (entry.low, entry.high),
    )
    find_contradiction(table)
    fit = table.fit()
    if not fit.slope > 0:
        msg = (
            "the times do not rise with the thickness, so there is no velocity: read the steps "
            "again, and look whether the zero offset given is less than every time of flight"
        )
        raise CalibrationError(msg)
    v = 2 / fit.slope if velocity is None else velocity
    given = u_zero_offset if velocity is None else 2 * u_velocity / v**2
    found = covariance_of(table, fit, given)
    spread, coupling = found.covariance, basis_of(table)
    u_v, u_zero = spread.slope**0.5 * v**2 / 2, spread.zero**0.5
    exact = u_v == 0 or u_zero == 0
    law = ThicknessLaw(velocity=v, zero_offset=fit.zero, separation=separation)
    residuals = tuple((law.thickness(table.times) - table.thickness).tolist())
    _check_sound(table, residuals, v=v, u_v=u_v, dof=fit.dof)
    warnings = warnings_of(table, fit, found, residuals=residuals, u_velocity=u_v, u_zero=u_zero)
    implausible = None if material is None else plausible(material, v, units)
    return StepsResult(
        steps=tuple(table.steps),
        velocity=v,
        zero_offset=fit.zero,
        separation=separation,
        u_velocity=u_v,
        u_zero_offset=u_zero,
        # The velocity falls as the slope rises.
        correlation=0.0
        if exact
        else max(-1.0, min(1.0, -spread.both / math.sqrt(spread.slope * spread.zero))),
        residuals=residuals,
        dof=fit.dof,
        u_dof=found.dof,
        method=_method(len(steps), velocity, zero_offset),
        basis=found.basis,
        coupling=_coupling(table, coupling),
        coupling_dof=table.scatter.dof or math.inf,
        coupling_basis=coupling,
        warnings=((implausible,) if implausible else ()) + warnings,
    )


def _coupling(table: StepTable, basis: CouplingBasis) -> float:
    if basis is CouplingBasis.MEASURED:
        return table.scatter.between
    return math.nan if table.coupling is None else table.coupling


def _check_given(n: int, velocity: float | None, zero_offset: float | None) -> None:
    if not n:
        msg = "no step was read: read at least two steps of different thickness"
        raise CalibrationError(msg)
    if velocity is not None and zero_offset is not None:
        msg = (
            "velocity and zero offset are both given, so there is nothing to find: "
            "leave one of them out, or check the two on the block instead"
        )
        raise CalibrationError(msg)
    if n == 1 and velocity is None and zero_offset is None:
        msg = (
            "one step cannot give velocity and zero offset both: read a second step of another "
            "thickness, or give one of the two"
        )
        raise CalibrationError(msg)
    if velocity is not None and not (math.isfinite(velocity) and velocity > 0):
        msg = f"'velocity' must be > 0 mm/µs (got {velocity})"
        raise CalibrationError(msg)
    if zero_offset is not None and not math.isfinite(zero_offset):
        msg = f"'zero_offset' must be a time in µs (got {zero_offset})"
        raise CalibrationError(msg)


def _check_sound(
    table: StepTable, residuals: Sequence[float], *, v: float, u_v: float, dof: int
) -> None:
    for step, residual in zip(table.steps, residuals, strict=True):
        if math.isnan(residual):
            msg = (
                f"{step.label(table.units)}: by this calibration its time of {step.time_of_flight:.4g} µs is "
                f"too short for a separation of {table.units.stated_text(table.separation)}: look at the separation, "
                "and read the step again"
            )
            raise CalibrationError(msg)
    if table.velocity is not None or u_v <= _WORST_VELOCITY * v:
        return
    remedy = "take steps further apart, or more readings on each"
    if dof:
        worst = max(range(len(residuals)), key=lambda k: abs(residuals[k]))
        remedy = (
            f"{table.steps[worst].label(table.units)} is "
            f"{table.units.difference_text(residuals[worst], sign=True)} off the line, more than the"
            f" others: read it again, or {remedy}"
        )
    msg = (
        f"the velocity comes out as {table.units.velocity_text(v, 0)} with a standard uncertainty of "
        f"{u_v / v:.1%}, more than {_WORST_VELOCITY:.0%}: {remedy}"
    )
    raise CalibrationError(msg)


def _method(n: int, velocity: float | None, zero_offset: float | None) -> str:
    count = {1: "one step", 2: "two steps"}.get(n, f"least squares over {n} steps")
    if velocity is not None:
        return f"{count}, velocity given"
    return f"{count}, zero offset given" if zero_offset is not None else count
