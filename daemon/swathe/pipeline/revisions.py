"""Readings that operators discarded, or moved to another line of a stepped index axis.

A mark applies to entries before it: the readings of its stretch count for no cell, or for another
line, from the first entry of the journal on. A pipeline is given the revisions in force before any
entry; the marks themselves only list them. A survey of which a revision became known later is
placed again.

What counts is when and where a reading was taken. Revisions apply in their order, each to what the
ones before it leave: the readings of a line are those that are on it after the earlier moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.journal import MarkKind
from swathe.pipeline.progress.fields import Extent
from swathe.pipeline.progress.revision_snapshots import RevisionSnapshot, stretch_text

__all__ = ["REVISION_MARKS", "Restoration", "Revision", "RevisionLog"]

REVISION_MARKS = (MarkKind.DISCARDED, MarkKind.MOVED, MarkKind.RESTORED)
"""Marks that make or take back a revision."""


@dataclass(frozen=True, slots=True)
class Restoration:
    """Who took a revision back, why, and when, ns UTC."""

    by: str
    because: str
    time: int


@dataclass(frozen=True, slots=True)
class Revision:
    """A stretch of readings that was discarded or moved; all its conditions hold together.

    Attributes:
        number: from 1.
        begin: of the readings' times, ns UTC, included; None from the first reading on.
        end: of the readings' times, ns UTC, left out; None until the mark.
        line: row of the grid that they are on; None for any.
        scan: borders of their scan positions, mm, both included; None for the whole axis.
        to_line: row that they are moved to; None where they are discarded.
        by: who made it.
        because: why.
        time: of the mark, ns UTC. Only what was taken before it is meant.
        restored: by whom it was taken back; None while it is in force.
        this_run: whether `begin` is in the run of the mark: none of an earlier run is meant, though
            its clock may have been ahead.
        run: number of the mark's run, from 1, of all that the journal holds.
    """

    number: int
    begin: int | None
    end: int | None
    line: int | None
    scan: tuple[float, float] | None
    to_line: int | None
    by: str
    because: str
    time: int = 0
    restored: Restoration | None = None
    this_run: bool = False
    run: int = 1

    @property
    def kind(self) -> Literal["discard", "move"]:
        """What is done with the readings."""
        return "discard" if self.to_line is None else "move"

    def text(self, units: DisplayUnits = MILLIMETRES) -> str:
        """Return which readings, such as ``line 5, 100…240 mm, from 10:31:04 to 10:32:11 UTC``."""
        return stretch_text(self.snapshot(None), units)

    def detail(self) -> dict[str, Any]:
        """Return the detail of its mark."""
        detail: dict[str, Any] = {
            "revision": self.number,
            "begin": self.begin,
            "end": self.end,
            "this_run": self.this_run,
            "line": self.line,
            "scan": None if self.scan is None else [*self.scan],
            "by": self.by,
            "because": self.because,
        }
        return detail if self.to_line is None else {**detail, "to_line": self.to_line}

    @classmethod
    def from_detail(cls, detail: Mapping[str, Any], run: int, time: int) -> Revision:
        """Return the revision that a mark's detail describes; run and time, ns UTC, are the mark's."""
        scan = detail["scan"]
        return cls(
            number=int(detail["revision"]),
            begin=None if detail["begin"] is None else int(detail["begin"]),
            end=None if detail["end"] is None else int(detail["end"]),
            this_run=bool(detail.get("this_run")),
            line=None if detail["line"] is None else int(detail["line"]),
            scan=None if scan is None else (float(scan[0]), float(scan[1])),
            to_line=None if detail.get("to_line") is None else int(detail["to_line"]),
            by=str(detail["by"]),
            because=str(detail["because"]),
            run=run,
            time=time,
        )

    def times_in(self, run: int) -> tuple[int | None, int | None] | None:
        """Return from which time on, and before which, readings of a run are meant, ns UTC.

        None where none of the run is; a limit is None where there is none.
        """
        if run > self.run or (self.this_run and run < self.run):
            return None
        ends = [] if self.end is None else [self.end]
        if run == self.run:  # the clock of another run may have been set otherwise
            ends.append(self.time)
        return self.begin, min(ends, default=None)

    def snapshot(self, readings: int | None) -> RevisionSnapshot:
        """Return it as it is published; `readings` is None while that number is not known."""
        restored = self.restored
        return RevisionSnapshot(
            number=self.number,
            kind=self.kind,
            line=self.line,
            to_line=self.to_line,
            scan=None if self.scan is None else Extent(*self.scan),
            begin=self.begin,
            end=self.end,
            by=self.by,
            because=self.because,
            time=self.time,
            readings=readings,
            restored_by="" if restored is None else restored.by,
            restored_because="" if restored is None else restored.because,
            restored=None if restored is None else restored.time,
        )


class RevisionLog:
    """The revisions that a journal's marks make and take back.

    Attributes:
        run: number of the present run, from 1, of all that the journal holds.
    """

    def __init__(self) -> None:
        self.run = 0
        self._all: dict[int, Revision] = {}

    def open_run(self) -> None:
        """A run begins."""
        self.run += 1

    def take(self, kind: MarkKind, detail: Mapping[str, Any], time: int) -> None:
        """Take one of `REVISION_MARKS`; `time` is the mark's, ns UTC."""
        if kind is MarkKind.RESTORED:
            number = int(detail["revision"])
            if (known := self._all.get(number)) is not None:
                who = Restoration(str(detail["by"]), str(detail["because"]), time)
                self._all[number] = replace(known, restored=who)
        else:
            revision = Revision.from_detail(detail, self.run, time)
            self._all[revision.number] = revision

    def find(self, number: int) -> Revision | None:
        """Return a revision by its number; None where there is none."""
        return self._all.get(number)

    @property
    def revisions(self) -> tuple[Revision, ...]:
        """All of them, in the order in which they were made."""
        return tuple(self._all.values())

    @property
    def in_force(self) -> tuple[Revision, ...]:
        """Those that were not taken back, in that order."""
        return tuple(one for one in self._all.values() if one.restored is None)

    @property
    def next_number(self) -> int:
        """Number of the next revision."""
        return max(self._all, default=0) + 1
