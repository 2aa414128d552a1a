"""What cannot be on a step block: steps too close, swapped, read twice, echoes skipped.

The limits here are our own choice; each is named, with its purpose. A contradiction is an error
that names the steps and the remedy. Where two causes would look the same, both are named.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from swathe.arrays import Floats
from swathe.calibration.corrections import half_path
from swathe.calibration.couplings import CouplingScatter, coupling_scatter
from swathe.calibration.resolution import rounding_uncertainty
from swathe.calibration.step_fit import StepFit, fit_steps
from swathe.calibration.step_reading import StepReading
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import CalibrationError

__all__ = ["StepTable", "find_contradiction"]


# No solid is faster than diamond's 18 mm/µs (from memory): by this velocity two steps must differ.
_FASTER_THAN_ANY = 20.0
# Nor is one slower than soft rubber's 1 mm/µs or so (from memory), by far: below this the steps are
# in another unit than they were taken for.
_SLOWER_THAN_ANY = 0.5
# Two steps whose times lie closer together than ten times the velocity of steel would put them are
# one: the same step coupled twice differs by some ns, and steps of any solid by far more.
_SAME = 60.0
# Differences below three standard uncertainties mean nothing, nor do those below what the couplant
# film alone may do, µs.
_SURE, _COUPLANT = 3.0, 0.01
# Steps must span this share of the thickest, to separate velocity from zero offset.
_MIN_SPAN = 0.2
# A line is contradicted by scatter of so many standard uncertainties, and of this share of the
# range of times, which keeps uneven couplant from looking like another echo.
_CONTRADICTED, _CONTRADICTED_SHARE = 5.0, 0.005
# A skipped echo explains the scatter when this share of it is left, or nothing above the noise.
_EXPLAINED_SHARE = 0.03
# Without degrees of freedom the handbook is the judge: so far beyond its range it contradicts.
_BEYOND = 0.05
# So near do a second back wall and a thicker step's first one look the same.
_LOOKS_ALIKE = 0.02
_SECOND, _HALF = 2.0, 0.5


@dataclass(frozen=True, kw_only=True)
class StepTable:
    """Steps in the order of their thickness, and what is known beforehand.

    Attributes:
        steps: thinnest first.
        separation: between the elements, mm.
        velocity: mm/µs, when it is given.
        zero_offset: µs, when it is given.
        resolution: of the time, µs.
        coupling: stated standard deviation of coupling again, µs; None where it is not stated. It is
            used where no step was coupled twice.
        plausible: velocities that the material may have, mm/µs; None when the material is not given.
        units: in which its lengths are written.
    """

    steps: Sequence[StepReading]
    separation: float
    velocity: float | None
    zero_offset: float | None
    resolution: float
    plausible: tuple[float, float] | None
    coupling: float | None = None
    units: DisplayUnits = MILLIMETRES

    @cached_property
    def scatter(self) -> CouplingScatter:
        """Scatter between couplings and within them, all steps pooled."""
        return coupling_scatter([step.each_coupling for step in self.steps])

    @property
    def couplings(self) -> Floats:
        """How often each step was coupled, shape (n,)."""
        return np.array([len(step.each_coupling) for step in self.steps], np.float64)

    @property
    def repeated(self) -> Floats:
        """Variances of the steps' times from their own repetition, µs², shape (n,).

        From the scatter between couplings where it is known, and from that of the readings on each
        step otherwise.
        """
        if self.scatter.dof:
            return self.scatter.between**2 / self.couplings
        return np.array([step.sd**2 / step.readings for step in self.steps], np.float64)

    @property
    def stated(self) -> Floats:
        """Variances of the steps' times by what was stated and by their resolution, µs², shape (n,)."""
        if not self.scatter.dof:
            rest = self.resolution**2 / 12 + (self.coupling or 0.0) ** 2
            return np.full(len(self.steps), rest)
        # Of each step by itself: where its readings all show one digit, the scatter that another
        # step shows has averaged nothing.
        each = [coupling_scatter([step.each_coupling]).reading for step in self.steps]
        return np.array([rounding_uncertainty(self.resolution, sd) ** 2 for sd in each], np.float64)

    @property
    def thickness(self) -> Floats:
        """Of the steps, mm, shape (n,)."""
        return np.array([step.thickness for step in self.steps], np.float64)

    @property
    def times(self) -> Floats:
        """Of flight, µs, shape (n,)."""
        return np.array([step.time_of_flight for step in self.steps], np.float64)

    @property
    def u_times(self) -> Floats:
        """Standard uncertainties of the times, µs, shape (n,)."""
        return np.asarray(np.sqrt(self.repeated + self.stated))

    @property
    def paths(self) -> Floats:
        """From an element to the back wall, mm, shape (n,)."""
        return half_path(self.thickness, self.separation)

    def fit(self, paths: Floats | None = None) -> StepFit:
        """Return the line through the steps, or through their times at other `paths`."""
        return fit_steps(
            self.paths if paths is None else paths,
            self.times,
            velocity=self.velocity,
            zero_offset=self.zero_offset,
            weights=self._weights(),
        )

    def _weights(self) -> Floats | None:
        """Return weights of the steps where some were coupled more often, and it is known to matter."""
        if not self.scatter.dof or np.ptp(self.couplings) == 0:
            return None
        variances = self.u_times**2
        return None if not (variances > 0).all() else 1 / variances


def find_contradiction(table: StepTable) -> None:
    """Look for what cannot be.

    Raises:
        CalibrationError: found; the text names the steps and the remedy.
    """
    if table.velocity is None and table.zero_offset is None:
        _too_close(table.thickness, table.units)
    pairs = list(itertools.combinations(range(len(table.steps)), 2))
    for i, j in pairs:
        _read_twice(table, i, j)
    _skipped(table)
    falls = {(i, j): table.times[j] - table.times[i] for i, j in pairs if _falls(table, i, j)}
    if falls:
        i, j = min(falls, key=lambda pair: falls[pair])
        msg = (
            f"{_described(table, i)} and {_described(table, j)}: the time falls while the thickness rises; "
            "the two steps were swapped, or a gate was on another echo: read both again"
        )
        raise CalibrationError(msg)
    fit = table.fit()
    if table.velocity is None and 0 < fit.slope < 2 / _FASTER_THAN_ANY:
        msg = (
            f"the velocity comes out as {_velocity_text(fit, table.units)}, faster than in any solid: look "
            "at the steps' thicknesses, and whether the gate is on the first back wall of each"
        )
        raise CalibrationError(msg)
    if table.velocity is None and fit.slope > 2 / _SLOWER_THAN_ANY:
        msg = (
            f"the velocity comes out as {_velocity_text(fit, table.units)}, slower than in any solid: look at "
            "the units, are the steps in inches and taken for mm?"
        )
        raise CalibrationError(msg)


def _velocity_text(fit: StepFit, units: DisplayUnits) -> str:
    velocity = 2 / fit.slope
    return f"{velocity:.3g} mm/µs" if units.is_metric else units.velocity_text(velocity)


def _described(table: StepTable, k: int) -> str:
    step = table.steps[k]
    return f"{step.label(table.units)} ({step.time_of_flight:.4g} µs)"


def _too_close(thickness: Floats, units: DisplayUnits) -> None:
    minimum, most = float(thickness[0]), float(thickness[-1])
    if most - minimum >= _MIN_SPAN * most:
        return
    what = (
        f"all steps are {units.stated_thickness_text(most)} thick"
        if most == minimum
        else f"the steps span only {units.stated_thickness_number(minimum)} to "
        f"{units.stated_thickness_text(most)}"
    )
    msg = (
        f"{what}, too little to separate velocity from zero offset: take steps that differ by "
        f"{_MIN_SPAN:.0%} of the thickest or more, or give the velocity or the zero offset"
    )
    raise CalibrationError(msg)


def _rise(table: StepTable, i: int, j: int) -> tuple[float, float, float]:
    """Return the rise of time from a step to a thicker, its noise, and the minimum to expect, µs."""
    u, times = table.u_times, table.times
    minimum = 2 * float(table.paths[j] - table.paths[i]) / _FASTER_THAN_ANY
    noise = max(_SURE * math.hypot(u[i], u[j]), _COUPLANT)
    return float(times[j] - times[i]), noise, minimum


def _read_twice(table: StepTable, i: int, j: int) -> None:
    rise, noise, minimum = _rise(table, i, j)
    # Steps so close that noise may hide their difference are no contradiction.
    if minimum <= noise or abs(rise) > max(noise, minimum * _FASTER_THAN_ANY / _SAME):
        return
    second = float(half_path(_SECOND * table.steps[i].thickness, table.separation))
    alike = abs(second / float(table.paths[j]) - 1) < _LOOKS_ALIKE
    other = (
        f", or the gate was on the second back wall of {table.steps[i].label(table.units)}"
        if alike
        else ""
    )
    msg = (
        f"{_described(table, i)} and {_described(table, j)} have the same time of flight: "
        f"the same step was read twice{other}; read both again"
    )
    raise CalibrationError(msg)


def _falls(table: StepTable, i: int, j: int) -> bool:
    rise, noise, _ = _rise(table, i, j)
    return rise < -noise


def _skipped(table: StepTable) -> None:
    """Look for one step whose time is that of an echo at twice or half its thickness."""
    base = table.fit()
    noise = float(np.sqrt(np.mean(table.u_times**2)))
    if base.dof:
        minimum = max(_CONTRADICTED * noise, _CONTRADICTED_SHARE * float(np.ptp(table.times)))
        if base.scatter <= minimum and base.slope > 0:
            return
    elif table.plausible is None or _lies_within(base, table.plausible, _BEYOND):
        return
    found: list[tuple[float, int, float]] = []
    for k, times in itertools.product(range(len(table.steps)), (_SECOND, _HALF)):
        paths = table.paths.copy()
        paths[k] = float(half_path(times * table.steps[k].thickness, table.separation))
        if paths.size > 1 and float(np.ptp(paths)) == 0:
            continue
        trial = table.fit(paths)
        if not trial.slope > 0:
            continue
        if base.dof:
            left = trial.scatter
            explains = left <= max(_SURE * noise, _EXPLAINED_SHARE * base.scatter)
        else:
            # By the check above: without degrees of freedom the material is known.
            low, high = table.plausible or (0.0, math.inf)
            left = abs(2 / trial.slope - (low + high) / 2)
            explains = _lies_within(trial, (low, high), 0.0)
        if explains:
            found.append((left, k, times))
    if not found:
        return
    _, k, times = min(found)
    judge = "the other steps give" if base.dof else "the material's handbook velocity gives"
    looks = (
        "its echo looks like the second back wall: put the gate on the first"
        if times == _SECOND
        else "its echo comes from half the depth: look for a reflector above the back wall, or for "
        "the number of the step"
    )
    alternative = "" if base.dof else "; or the material is another"
    msg = (
        f"{_described(table, k)} fits {times:g} × the thickness that {judge}: {looks}{alternative}"
    )
    raise CalibrationError(msg)


def _lies_within(fit: StepFit, velocities: tuple[float, float], beyond: float) -> bool:
    low, high = velocities
    return fit.slope > 0 and low * (1 - beyond) <= 2 / fit.slope <= high * (1 + beyond)
