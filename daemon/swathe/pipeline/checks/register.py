"""Checks of the calibration on a block: what was read, whether it passes, and what it puts in doubt.

A check that fails says that the calibration had gone off at some time since the last check that
passed: every cell read since then is suspect, and so is what is read until a check passes again.
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
        found: mean of the readings, mm; NaN when none had an echo.
        spread: their standard deviation, mm; NaN for fewer than two.
        readings: those with an echo.
    """

    thickness: float
    found: float
    spread: float
    readings: int

    @property
    def deviation(self) -> float:
        """What was read less what it is, mm."""
        return self.found - self.thickness


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
        steps: what was read.
        passed: whether every step lies within the tolerance; a check without steps fails.
        suspects: cells that it made suspect.
        overridden_by: who overrode its failure; empty when nobody did.
        overridden_because: and why.
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
class _Going:
    """A check that is being made."""

    detail: dict[str, Any]
    times: list[NDArray[np.int64]] = field(default_factory=list)
    thickness: list[NDArray[np.float64]] = field(default_factory=list)
    steps: list[CheckStep] = field(default_factory=list)


class CheckRegister:
    """All checks of a survey.

    Attributes:
        checks: those that ended, by number.
        last_pass: when the last one passed, ns UTC; None before any did.
        failed: the failed check in force, under which readings are in doubt; None without.
    """

    def __init__(self) -> None:
        self.checks: list[Check] = []
        self.last_pass: int | None = None
        self.failed: Check | None = None
        self._going: _Going | None = None
        self._suspects: dict[int, list[Cells]] = {}

    @property
    def in_progress(self) -> bool:
        """Whether the probe is on the block now, so that readings belong to no cell."""
        return self._going is not None

    def begin(self, detail: dict[str, Any]) -> None:
        """Begin a check; one that had only begun is forgotten."""
        self._going = _Going(detail)

    def abandon(self) -> None:
        """Forget a check that has only begun, as when its run was killed."""
        self._going = None

    def take(self, readings: NDArray[Any]) -> None:
        """Keep readings with their thickness filled in, shape (n,), for the steps to come."""
        if self._going is not None and readings.size:
            good = readings["valid"]
            self._going.times.append(readings["time"][good])
            self._going.thickness.append(readings["thickness"][good])

    def add_step(self, detail: dict[str, Any]) -> None:
        """Take a step: what was read from ``begin`` up to ``end``, host times in ns."""
        if self._going is None:
            return
        times = np.concatenate([*self._going.times, np.empty(0, np.int64)])
        found = np.concatenate([*self._going.thickness, np.empty(0)])
        found = found[(times >= detail["begin"]) & (times <= detail["end"])]
        step = CheckStep(
            thickness=float(detail["thickness"]),
            found=float(found.mean()) if found.size else math.nan,
            spread=float(found.std(ddof=1)) if found.size > 1 else math.nan,
            readings=int(found.size),
        )
        self._going.steps.append(step)

    def end(self, time: int) -> Check | None:
        """End the check at `time`, ns UTC; return it with its verdict, or None if none was begun."""
        if self._going is None:
            return None
        detail, steps = self._going.detail, tuple(self._going.steps)
        self._going = None
        tolerance = float(detail["tolerance"])
        check = Check(
            number=len(self.checks) + 1,
            phase=CheckPhase(detail["phase"]),
            by=str(detail["by"]),
            block=str(detail["block"]),
            time=time,
            tolerance=tolerance,
            steps=steps,
            # A step without an echo has NaN, which passes no comparison.
            passed=bool(steps) and all(abs(s.deviation) <= tolerance + _SLACK_MM for s in steps),
        )
        self.checks.append(check)
        if check.passed:
            self.last_pass, self.failed = time, None
        else:
            self.failed = check
        return check

    def add_suspects(self, cells: Cells) -> None:
        """Note cells that became suspect under the failed check in force."""
        if self.failed is not None and cells.size:
            self._suspects.setdefault(self.failed.number, []).append(cells)
            self.failed.suspects += int(cells.size)

    def override(self, number: int, *, by: str, because: str) -> Cells:
        """Let a failed check not count; return the cells that it made suspect.

        Some of them may have been measured again, or made suspect again, since.
        """
        if not 1 <= number <= len(self.checks) or self.checks[number - 1].passed:
            return np.empty(0, np.int64)
        check = self.checks[number - 1]
        check.overridden_by, check.overridden_because = by, because
        other = self._beside(check)
        if self.failed is check:
            self.failed = other
        cells = self._suspects.pop(number, [])
        if other is not None:  # another one, with no pass in between, says the same
            self._suspects.setdefault(other.number, []).extend(cells)
            return np.empty(0, np.int64)
        return np.unique(np.concatenate([*cells, np.empty(0, np.int64)]))

    def _beside(self, check: Check) -> Check | None:
        """Return a failed check that counts, with none passed between it and `check`."""
        later, earlier = self.checks[check.number :], reversed(self.checks[: check.number - 1])
        for others in (later, earlier):
            for other in others:
                if other.passed:
                    break
                if not other.overridden_by:
                    return other
        return None

    def due(self, interval: int | None) -> int | None:
        """Return when the next check is due, ns UTC; None while no interval is asked for.

        Args:
            interval: longest time between two checks, ns.
        """
        if interval is None or self.last_pass is None:
            return None
        return self.last_pass + interval
