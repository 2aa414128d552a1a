"""Calibration checks on a step block: what was read, whether it passes, what becomes suspect.

A failed check means that the calibration went off at some time since the last check that passed:
every cell read since then is suspect, and so is what is read until a check passes again.
(Common practice, no source.) A check is of one probe, and says nothing about any other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Times

__all__ = ["Check", "CheckPhase", "CheckRegister", "CheckStep"]


# The rounding of a decimal thickness must not decide on a deviation that is exactly the tolerance.
_SLACK_MM = 1e-9
_COLUMNS = [("time", "<i8"), ("thickness", "<f8"), ("valid", "?")]
_EVER = int(np.iinfo(np.int64).min)


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
        probe: number of the probe that was on the block.
        probe_name: its name; empty for the only one.
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
    probe: int = 0
    probe_name: str = ""

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

    @property
    def probe(self) -> int | None:
        """Number of the probe on the block; None for the only one."""
        number = self.detail.get("probe")
        return None if number is None else int(number)


class CheckRegister:
    """All checks of a survey.

    Attributes:
        checks: those that ended, by number.
        last_passes: when the last one passed, by probe, ns UTC; without those that passed none.
        failed: the failed checks in force by probe, under which its readings are suspect.
        skipped: when the probes were left out of a check last that have passed none since, ns UTC.
    """

    def __init__(self) -> None:
        self.checks: list[Check] = []
        self.last_passes: dict[int, int] = {}
        self.failed: dict[int, Check] = {}
        self.skipped: dict[int, int] = {}
        self._current: _CheckInProgress | None = None
        self._stays_off = False  # a round continues with another probe

    @property
    def in_progress(self) -> bool:
        """Whether the probe is on the block now, so that readings belong to no cell."""
        return self._current is not None

    @property
    def off_part(self) -> bool:
        """Whether a hand has carried the probe from the part, in a run that scans, for this check."""
        if self._current is None:
            return self._stays_off
        return bool(self._current.detail.get("off_part"))

    @property
    def steps_read(self) -> tuple[CheckStep, ...]:
        """The steps of the check in progress that were read so far; empty without one."""
        return () if self._current is None else tuple(self._current.steps.values())

    def begin(self, detail: dict[str, Any]) -> None:
        """Begin a check; one in progress is dropped."""
        self._current, self._stays_off = _CheckInProgress(detail), False

    def abandon(self, *, stays_off: bool = False) -> None:
        """Drop a check in progress, as when it is given up or its run was killed.

        Args:
            stays_off: whether a check of another probe follows at once, off the part.
        """
        self._current, self._stays_off = None, stays_off

    def skip(self, time: int) -> None:
        """Note that the probe of the check in progress is left out at `time`, ns UTC."""
        if self._current is not None:
            self.skipped[self._current.probe or 0] = time

    def add_readings(self, readings: NDArray[Any]) -> None:
        """Add readings with their thickness filled in, shape (n,), for the steps of the check.

        Those of other probes than the one on the block are left out.
        """
        if self._current is None:
            return
        if (probe := self._current.probe) is not None:
            readings = readings[readings["probe"] == probe]
        if readings.size:
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

    def end(self, time: int, *, stays_off: bool = False) -> Check | None:
        """End the check at `time`, ns UTC; return it with its verdict, or None if none was begun.

        Args:
            time: ns UTC.
            stays_off: as for `abandon`.
        """
        self._stays_off = stays_off
        if self._current is None:
            return None
        detail, steps = self._current.detail, tuple(self._current.steps.values())
        probe, self._current = self._current.probe or 0, None
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
            probe=probe,
            probe_name=str(detail.get("probe_name", "")),
        )
        self.checks.append(check)
        if check.passed:
            self.last_passes[probe] = time
            self.failed.pop(probe, None)
            self.skipped.pop(probe, None)
        else:
            self.failed[probe] = check
        return check

    def override(self, number: int, *, by: str, because: str) -> Check | None:
        """Override a failed check and return it; None where there is no such check."""
        if not 1 <= number <= len(self.checks) or self.checks[number - 1].passed:
            return None
        check = self.checks[number - 1]
        check.overridden_by, check.overridden_because = by, because
        if self.failed.get(check.probe) is check:
            del self.failed[check.probe]
            if (other := self._equivalent(check)) is not None:
                self.failed[check.probe] = other
        return check

    def _equivalent(self, check: Check) -> Check | None:
        """Return the newest earlier failed check that counts, with none passed since it."""
        for other in reversed(self.checks[: check.number - 1]):
            if other.probe != check.probe:
                continue
            if other.passed:
                break
            if not other.overridden_by:
                return other
        return None

    def is_suspect(self, time: int, probe: int = 0) -> bool:
        """Return whether a reading of a time, ns UTC, is suspect; see `are_suspect`."""
        return bool(self.are_suspect(np.array([time]), probe)[0])

    def are_suspect(self, times: Times, probe: int) -> Bools:
        """Return whether readings of a probe are suspect: a failed check of it is next to them.

        Overridden ones do not count.

        Args:
            times: ns UTC, shape (n,).
            probe: its number.
        """
        counted = [one for one in self.checks if one.probe == probe and not one.overridden_by]
        ended = np.array([one.time for one in counted], np.int64)
        failed = np.array([False, *(not one.passed for one in counted), False])
        after = np.searchsorted(ended, times, side="right")
        return np.asarray(failed[after] | failed[after + 1])

    def due_by_probe(self, interval: int | None, probes: int = 1) -> dict[int, int]:
        """Return when the next check of each probe is due, ns UTC; without those that passed none.

        A probe that was left out of a check is due an interval after that.

        Args:
            interval: longest time between two checks, ns; none is due without one.
            probes: how many there are.
        """
        if interval is None:
            return {}
        begins = {
            number: max(time, self.skipped.get(number, _EVER))
            for number, time in self.last_passes.items()
        }
        return {number: time + interval for number, time in begins.items() if number < probes}

    def due(self, interval: int | None, probes: int = 1) -> int | None:
        """Return when the next check of any probe is due, ns UTC; None while none is required."""
        return min(self.due_by_probe(interval, probes).values(), default=None)
