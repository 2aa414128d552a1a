"""What a damaged journal has lost, and what is not known because of it.

Where bytes are lost, records do not continue across the gap, and no path leads over it: an encoder's
counts stay what they are, but nobody saw what it did meanwhile. Where marks may be lost, the next run
does not know what it continues: the line, positions that were set, a pause. It counts nothing until
that is given again, by a mark of its own.
"""

from __future__ import annotations

from dataclasses import replace

from swathe.arrays import Bools, Times
from swathe.journal import Damage, Lost
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.placed import ProbePath

__all__ = ["JournalLosses"]


class JournalLosses:
    """The damage of a survey's journal so far.

    Attributes:
        damage: in the order in which it was found.
        bytes_lost: whether bytes of ports are lost, so that offsets in a stream are not those that
            marks have.
        marks_lost: whether marks of the present run may be lost.
        offset: of the gauge's stream, from which on no bytes are lost so far.
        line_unknown: while the line of a stepped index axis is not known.
    """

    def __init__(self) -> None:
        self.damage: list[Damage] = []
        self.bytes_lost = False
        self.marks_lost = False
        self.offset = 0
        self.line_unknown = Pauses()
        self._reported: set[Damage] = set()
        self._inherits = False  # the present run does not know what it took over

    def add(self, lost: Lost, *, now: int, utc_offset: int) -> bool:
        """Add a damage; return False if it was added before.

        Args:
            lost: what the reader found.
            now: the journal time, ns; 0 before any run.
            utc_offset: ns from host time to UTC.
        """
        if lost.damage in self._reported:
            return False
        self._reported.add(lost.damage)
        damage = lost.damage
        if lost.bytes_lost and now:
            until = None if lost.until is None else lost.until + utc_offset
            damage = replace(damage, since=now + utc_offset, until=until)
        self.damage.append(damage)
        self.bytes_lost |= lost.bytes_lost or lost.marks_lost
        self.marks_lost |= lost.marks_lost
        return True

    def open_run(self, time: int, *, stepped: bool, bytes_lost: bool) -> bool:
        """Take note that a run begins; return whether marks of those before may be lost.

        Args:
            time: of the run's begin, ns.
            stepped: whether its index axis is.
            bytes_lost: whether bytes of the run before were the last of an encoder.
        """
        unknown, self.marks_lost = self.marks_lost, False
        self._inherits = unknown or bytes_lost
        held = self.line_unknown.active
        self.line_unknown = Pauses()
        if stepped and (unknown or held):
            self.line_unknown.begin(time, by="journal", because="marks lost", from_start=True)
        return unknown

    def inherit(self, time: int) -> bool:
        """Take note, at `time`, ns, of what the run took over; return whether that was unknown."""
        unknown, self._inherits = self._inherits, False
        self.line_unknown.end(time)
        return unknown

    def holds(self, times: Times) -> Bools:
        """Return whether readings of these host times, ns, belong to no line, shape as `times`."""
        return self.line_unknown.holds(times)

    def cut(self, path: ProbePath) -> ProbePath | None:
        """Return the path without what is on no line; None when nothing is left."""
        return self.line_unknown.cut(path)

    @property
    def sorted_damage(self) -> list[Damage]:
        """The damage in the order of the journal."""
        return sorted(self.damage, key=lambda one: (one.segment, one.begin, one.kind, one.text))
