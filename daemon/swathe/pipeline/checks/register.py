"""Calibration checks on a step block: what was read, whether it passes, what becomes suspect.

A failed check means that the calibration went off at some time since the last check that passed:
every cell read since then is suspect, and so is what is read until a check passes again.
(Common practice, no source.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells

__all__ = ["Check", "CheckPhase", "CheckRegister", "CheckStep"]


# The rounding of a decimal thickness must not decide on a deviation that is exactly the tolerance.
_SLACK_MM = 1e-9
_COLUMNS = [("time", "<i8"), ("thickness", "<f8"), ("valid", "?")]


class CheckPhase(StrEnum):
    """When a check was made."""

    BEFORE = "before"
    INTERVAL = "interval"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class CheckStep:
    """A step of the block as it was read.

    Attributes:
        thickness: of the step, mm.
        measured: mean of the readings, mm; NaN when none had an echo.
        spread: their standard deviation, mm; NaN for fewer than two.
        readings: those with an echo.
        redone: how often the step was read before; what was read then does not count.
    """

    thickness: float
    measured: float
    spread: float
    readings: int
    redone: int = 0

    @property
    def deviation(self) -> float:
        """Measured less true thickness, mm."""
        return self.measured - self.thickness

    def within(self, tolerance: float) -> bool:
        """Return whether the deviation is at most the tolerance, mm; False without an echo."""
        return abs(self.deviation) <= tolerance + _SLACK_MM  # NaN passes no comparison


@dataclass(slots=True)
class Check:
    """One check; times in ns UTC, lengths in mm.

    Attributes:
        number: from 1, in the order of the journal.
        phase: before, at an interval or after.
        by: who made it.
        block: which block.
        time: when it ended.
        tolerance: greatest deviation that passes.
        steps: the steps as read.
        passed: whether every step is within the tolerance; a check without steps fails.
        suspects: cells that it made suspect.
        overridden_by: who overrode its failure; empty when nobody did.
        overridden_because: the reason.
    """

    number: int
    phase: CheckPhase
    by: str
    block: str
    time: int
    tolerance: float
    steps: tuple[CheckStep, ...]
    passed: bool
    suspects: int = 0
    overridden_by: str = ""
    overridden_because: str = ""

    @property
    def worst(self) -> float:
        """The deviation farthest from zero, mm; NaN when a step had no echo."""
        return max((s.deviation for s in self.steps), key=_size, default=math.nan)


def _size(deviation: float) -> float:
    return math.inf if math.isnan(deviation) else abs(deviation)


@dataclass(slots=True)
class _CheckInProgress:
    """A check that has begun and not ended."""

    detail: dict[str, Any]
    readings: list[NDArray[Any]] = field(default_factory=list)
    steps: dict[int, CheckStep] = field(default_factory=dict)


class CheckRegister:
    """All checks of a survey.

    Attributes:
        checks: those that ended, by number.
        last_pass: when the last one passed, ns UTC; None before any did.
        failed: the failed check in force, under which readings are suspect; None without.
    """

    def __init__(self) -> None:
        self.checks: list[Check] = []
        self.last_pass: int | None = None
        self.failed: Check | None = None
        self._current: _CheckInProgress | None = None
        self._suspects: dict[int, list[Cells]] = {}

    @property
    def in_progress(self) -> bool:
        """Whether the probe is on the block now, so that readings belong to no cell."""
        return self._current is not None

    @property
    def off_part(self) -> bool:
        """Whether a hand has carried the probe from the part, in a run that scans, for this check."""
        return self._current is not None and bool(self._current.detail.get("off_part"))

    @property
    def steps_read(self) -> tuple[CheckStep, ...]:
        """The steps of the check in progress that were read so far; empty without one."""
        return () if self._current is None else tuple(self._current.steps.values())

    def begin(self, detail: dict[str, Any]) -> None:
        """Begin a check; one in progress is dropped."""
        self._current = _CheckInProgress(detail)

    def abandon(self) -> None:
        """Drop a check in progress, as when it is given up or its run was killed."""
        self._current = None

    def add_readings(self, readings: NDArray[Any]) -> None:
        """Add readings with their thickness filled in, shape (n,), for the steps of the check."""
        if self._current is not None and readings.size:
            self._current.readings.append(readings[["time", "thickness", "valid"]].copy())

    def readings_since(self, time: int) -> NDArray[Any]:
        """Return the newest readings of the check in progress, shape (n,), for who leads it.

        The columns are time, thickness in mm and valid.

        Args:
            time: host time in ns of the first one that is wanted.
        """
        every = [] if self._current is None else self._current.readings
        late: list[NDArray[Any]] = []
        for readings in reversed(every):
            if int(readings["time"].max()) < time:
                break
            late.append(readings)
        found = np.concatenate([np.empty(0, _COLUMNS), *reversed(late)])
        return np.asarray(found[found["time"] >= time])

    def add_step(self, detail: dict[str, Any]) -> None:
        """Add a step: the readings from ``begin`` to ``end``, host times in ns."""
        if self._current is None:
            return
        steps = self._current.steps
        number = int(detail.get("step", len(steps) + 1))
        # All of them: the verdict must not depend on how they came in batches.
        readings = np.concatenate([np.empty(0, _COLUMNS), *self._current.readings])
        times = readings["time"]
        used = readings["valid"] & (times >= detail["begin"]) & (times <= detail["end"])
        thickness = np.ascontiguousarray(readings["thickness"][used])
        before = steps.get(number)
        steps[number] = CheckStep(
            thickness=float(detail["thickness"]),
            measured=float(thickness.mean()) if thickness.size else math.nan,
            spread=float(thickness.std(ddof=1)) if thickness.size > 1 else math.nan,
            readings=int(thickness.size),
            redone=0 if before is None else before.redone + 1,
        )

    def end(self, time: int) -> Check | None:
        """End the check at `time`, ns UTC; return it with its verdict, or None if none was begun."""
        if self._current is None:
            return None
        detail, steps = self._current.detail, tuple(self._current.steps.values())
        self._current = None
        tolerance = float(detail["tolerance"])
        check = Check(
            number=len(self.checks) + 1,
            phase=CheckPhase(detail["phase"]),
            by=str(detail["by"]),
            block=str(detail["block"]),
            time=time,
            tolerance=tolerance,
            steps=steps,
            passed=bool(steps) and all(step.within(tolerance) for step in steps),
        )
        self.checks.append(check)
        if check.passed:
            self.last_pass, self.failed = time, None
        else:
            self.failed = check
        return check

    def add_suspects(self, cells: Cells) -> None:
        """Count cells that became suspect under the failed check in force."""
        if self.failed is not None and cells.size:
            self._suspects.setdefault(self.failed.number, []).append(cells)
            self.failed.suspects += int(cells.size)

    def override(self, number: int, *, by: str, because: str) -> Cells:
        """Override a failed check; return the cells that it made suspect.

        Some of them may have been measured, or made suspect by another check, since.
        """
        if not 1 <= number <= len(self.checks) or self.checks[number - 1].passed:
            return np.empty(0, np.int64)
        check = self.checks[number - 1]
        check.overridden_by, check.overridden_because = by, because
        other = self._equivalent(check)
        if self.failed is check:
            self.failed = other
        cells = self._suspects.pop(number, [])
        if other is not None:  # with no pass in between, its cells are suspect under the other one
            self._suspects.setdefault(other.number, []).extend(cells)
            return np.empty(0, np.int64)
        return np.unique(np.concatenate([*cells, np.empty(0, np.int64)]))

    def _equivalent(self, check: Check) -> Check | None:
        """Return a failed check that counts, with none passed between it and `check`."""
        later, earlier = self.checks[check.number :], reversed(self.checks[: check.number - 1])
        for others in (later, earlier):
            for other in others:
                if other.passed:
                    break
                if not other.overridden_by:
                    return other
        return None

    def is_suspect(self, time: int) -> bool:
        """Return whether a reading of a time, ns UTC, is suspect: a failed check is next to it.

        Overridden ones do not count.
        """
        counted = [check for check in self.checks if not check.overridden_by]
        before = [check for check in counted if check.time <= time]
        after = [check for check in counted if check.time > time]
        return not all(check.passed for check in (*before[-1:], *after[:1]))

    def due(self, interval: int | None) -> int | None:
        """Return when the next check is due, ns UTC; None while no interval is required.

        Args:
            interval: longest time between two checks, ns.
        """
        if interval is None or self.last_pass is None:
            return None
        return self.last_pass + interval
