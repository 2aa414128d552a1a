"""Whether a roll of an encoder over a known length can be used, judged as soon as it is over.

(The limits are our choice, no source.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats

__all__ = ["SILENT_SECONDS", "Roll", "agree", "roll_fault", "roll_problem"]

_FEWEST_COUNTS = 20
_FAR_OFF = 0.05
# A hand moves an encoder over many records; with fewer nothing can be said about a step.
_FEWEST_RECORDS = 20
_GREATEST_STEP = 0.2
_GREATEST_STEP_BACK = 0.05

SILENT_SECONDS = 1.0
"""An encoder that sends at rest has failed where it sent nothing for longer."""


@dataclass(slots=True)
class Roll:
    """What an encoder sent during a roll.

    Attributes:
        counts: by which it moved; negative where they fell.
        records: how many came.
        travel: sum of all steps without their sign, counts.
        forth: greatest single step up, counts.
        back: greatest single step down, counts, not negative.
        silent: seconds since the newest record.
        lost: why the port was lost meanwhile; empty where it was not.
    """

    counts: float = 0.0
    records: int = 0
    travel: float = 0.0
    forth: float = 0.0
    back: float = 0.0
    silent: float = 0.0
    lost: str = ""

    def add(self, counts: Floats) -> None:
        """Add records.

        Args:
            counts: the newest one before them, and theirs, roll-over undone, shape (n + 1,).
        """
        steps = np.diff(counts)
        if not steps.size:
            return
        self.counts += float(counts[-1] - counts[0])
        self.records += int(steps.size)
        self.travel += float(np.abs(steps).sum())
        self.forth = max(self.forth, float(steps.max()))
        self.back = max(self.back, float(-steps.min()))

    @property
    def jump(self) -> float:
        """The step that no hand makes, counts; 0 where there is none."""
        if self.records < _FEWEST_RECORDS or not self.travel:
            return 0.0
        ahead, against = (self.forth, -self.back) if self.counts >= 0 else (-self.back, self.forth)
        if abs(against) > _GREATEST_STEP_BACK * self.travel and abs(against) >= _FEWEST_COUNTS:
            return against
        return ahead if abs(ahead) > _GREATEST_STEP * self.travel else 0.0


def roll_fault(roll: Roll, *, silent_at_rest: bool = False) -> str:
    """Return why the counts of a roll are not those that were rolled; empty where they are.

    Args:
        roll: the roll.
        silent_at_rest: whether the device sends nothing while the encoder rests.
    """
    if roll.lost:
        return f"the port was lost meanwhile ({roll.lost}): roll it again once it is open"
    if not silent_at_rest and roll.silent > SILENT_SECONDS:
        return f"no count came for {roll.silent:.1f} s: is the encoder on, its cable right?"
    if jump := roll.jump:
        return (
            f"the counter jumped by {jump:+,.0f} counts at once: was the encoder switched off, or "
            "does its counter begin again?"
        )
    return ""


def roll_problem(roll: Roll, earlier: Sequence[float] = ()) -> str:
    """Return why a roll over a known length cannot be used; empty where it can.

    Args:
        roll: the roll.
        earlier: counts of the rolls over the same length that are used.
    """
    if abs(roll.counts) < _FEWEST_COUNTS:
        return f"{roll.counts:+.0f} counts: it has not moved far enough to be measured"
    if not earlier:
        return ""
    usual = float(np.median(earlier))
    if (roll.counts < 0) is not (usual < 0):
        return (
            f"{roll.counts:+,.0f} counts: it was rolled the other way than before ({usual:+,.0f})"
        )
    if not agree(roll.counts, usual):
        off = (roll.counts / usual - 1) * 100
        return f"{roll.counts:+,.0f} counts: {off:+.1f} % from the runs before ({usual:+,.0f})"
    return ""


def agree(counts: float, other: float) -> bool:
    """Return whether two rolls over the same length are not far off each other."""
    return abs(counts - other) <= _FAR_OFF * abs(other)
