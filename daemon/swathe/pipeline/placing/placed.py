"""What placing gives: readings with their positions, and the probe's path."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.place_uncertainty import no_spread
from swathe.station import ProbeArray, turn

__all__ = ["Placed", "PlacingObserver", "ProbeFacts", "ProbePath"]


@dataclass(frozen=True, slots=True)
class Placed:
    """Readings with their positions; row i of each column belongs together.

    Attributes:
        readings: shape (n,), dtype `READING`, in order of `known` and then of time.
        scan: mm, shape (n,).
        index: mm, shape (n,).
        known: journal time from which the position is known, ns, shape (n,).
        spread: what the place rests on, shape (n,), dtype `PLACE_SPREAD`; None where no reading's
            place is uncertain by its time.
        heading: of the carriage, degrees, shape (n,); None where it keeps its direction.
        datum: scan and index position of the carriage's datum, mm, shape (n, 2); None where `scan` and
            `index` are that.
    """

    readings: NDArray[Any]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]
    known: NDArray[np.int64]
    spread: NDArray[Any] | None = None
    heading: NDArray[np.float64] | None = None
    datum: NDArray[np.float64] | None = None

    def __getitem__(self, rows: Any) -> Placed:  # noqa: ANN401  whatever indexes an array
        """Return some rows."""
        optional = (self.spread, self.heading, self.datum)
        spread, heading, datum = (None if one is None else one[rows] for one in optional)
        return Placed(
            self.readings[rows], self.scan[rows], self.index[rows], self.known[rows],
            spread, heading, datum,
        )  # fmt: skip

    @staticmethod
    def joined(parts: list[Placed]) -> Placed:
        """Return the readings of all parts, in order."""
        if len(parts) == 1:
            return parts[0]
        return Placed(
            np.concatenate([part.readings for part in parts]),
            np.concatenate([part.scan for part in parts]),
            np.concatenate([part.index for part in parts]),
            np.concatenate([part.known for part in parts]),
            _joined_spread(parts),
            _joined_heading(parts),
        ).in_order()

    def in_order(self) -> Placed:
        """Return the readings in order of `known`, those known at once in order of time."""
        times = self.readings["time"]
        later, same = np.diff(self.known), np.diff(times)
        if not ((later < 0) | ((later == 0) & (same < 0))).any():
            return self
        return self[np.lexsort((times, self.known))]

    def at_probes(self, probes: ProbeArray) -> Placed:
        """Return the readings where their probes were, given where the carriage's datum was."""
        if probes.at_datum:
            return self
        number = self.readings["probe"]
        scan, index = probes.offsets[number].T
        if self.heading is not None:
            scan, index = turn(scan, index, self.heading)
        datum = np.column_stack((self.scan, self.index))
        return replace(self, scan=self.scan + scan, index=self.index + index, datum=datum)


def _joined_spread(parts: list[Placed]) -> NDArray[Any] | None:
    if all(part.spread is None for part in parts):
        return None
    return np.concatenate(
        [no_spread(part.scan.size) if part.spread is None else part.spread for part in parts]
    )


def _joined_heading(parts: list[Placed]) -> NDArray[np.float64] | None:
    headings = [part.heading for part in parts if part.scan.size]
    known = [heading for heading in headings if heading is not None]
    return np.concatenate(known) if known and len(known) == len(headings) else None


_NOT_JOINED = ("lost", "unplaced", "unread", "others", "heading")


@dataclass(frozen=True, slots=True)
class ProbeFacts:
    """What is known along a path of the readings of another probe; see the fields of `ProbePath`."""

    silent: NDArray[np.bool_]
    blur: NDArray[np.float64]
    lost: NDArray[np.int64]
    unplaced: NDArray[np.int64]
    unread: NDArray[np.bool_] | None

    def __getitem__(self, rows: slice | NDArray[np.bool_]) -> ProbeFacts:
        """Return what is known along some samples."""
        unread = None if self.unread is None else self.unread[rows]
        return ProbeFacts(self.silent[rows], self.blur[rows], self.lost, self.unplaced, unread)


@dataclass(frozen=True, slots=True)
class ProbePath:
    """A piece of the probe's path through n samples, shape (n,) each; it continues the one before.

    Attributes:
        time: ns.
        scan: mm.
        index: mm.
        known: whether the path from the sample before to this one is known, shape (n,); the
            first is the join to the piece before.
        resets: whether the sample is a position reset: no path leads to it, shape (n,).
        silent: whether the gauge was silent around the sample, rather than too slow for the
            probe, shape (n,).
        settled: journal time from which all readings up to the sample are in, ns, rising.
        blur: how far from the sample the probe may have been, along scan and index, for readings
            and samples that are older than their times say, mm, shape (n, 2); 0 where that is of no
            account, as in a long silence.
        lost: when readings would have been taken that are known to be lost, ns, rising, shape (m,);
            of this piece and of others around it.
        unplaced: times of readings that were received and are placed nowhere, ns, rising, as `lost`.
        unread: whether the gauge may have sent readings around the sample that could not be read, shape
            (n,); None where all was read.
        others: the same as `silent` to `unread`, which are those of the first probe, for each other
            probe of the carriage.
        heading: of the carriage, degrees, shape (n,); None where it keeps its direction.
    """

    time: NDArray[np.int64]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]
    known: NDArray[np.bool_]
    resets: NDArray[np.bool_]
    silent: NDArray[np.bool_]
    settled: NDArray[np.int64]
    blur: NDArray[np.float64]
    lost: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    unplaced: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    unread: NDArray[np.bool_] | None = None
    others: tuple[ProbeFacts, ...] = ()
    heading: NDArray[np.float64] | None = None

    def __getitem__(self, rows: slice | NDArray[np.bool_]) -> ProbePath:
        """Return some samples."""
        return ProbePath(
            time=self.time[rows],
            scan=self.scan[rows],
            index=self.index[rows],
            known=self.known[rows],
            resets=self.resets[rows],
            silent=self.silent[rows],
            settled=self.settled[rows],
            blur=self.blur[rows],
            lost=self.lost,
            unplaced=self.unplaced,
            unread=None if self.unread is None else self.unread[rows],
            others=tuple(facts[rows] for facts in self.others),
            heading=None if self.heading is None else self.heading[rows],
        )

    def of_probes(self, probes: ProbeArray) -> list[ProbePath]:
        """Return the path of each probe, given that of the carriage's datum."""
        if probes.at_datum and not self.others:
            return [self]
        if self.heading is None:
            along, across = (column[:, np.newaxis] for column in probes.offsets.T)
        else:
            along, across = probes.turned(self.heading)
        first = ProbeFacts(self.silent, self.blur, self.lost, self.unplaced, self.unread)
        return [
            replace(
                self,
                scan=self.scan + along[number],
                index=self.index + across[number],
                silent=facts.silent,
                blur=facts.blur,
                lost=facts.lost,
                unplaced=facts.unplaced,
                unread=facts.unread,
                others=(),
                heading=None,
            )
            for number, facts in enumerate((first, *self.others))
        ]

    def followed_by(self, other: ProbePath) -> ProbePath:
        """Return this path, and another one behind it, which has the lost readings of both."""
        columns = [column.name for column in fields(self) if column.name not in _NOT_JOINED]
        joined: dict[str, Any] = {
            name: np.concatenate((getattr(self, name), getattr(other, name))) for name in columns
        }
        unread = None
        if self.unread is not None or other.unread is not None:
            unread = np.concatenate((self.may_be_unread, other.may_be_unread))
        return ProbePath(**joined, lost=other.lost, unplaced=other.unplaced, unread=unread)

    @property
    def may_be_unread(self) -> NDArray[np.bool_]:
        """`unread` of each sample, shape (n,)."""
        return np.zeros(self.time.shape, bool) if self.unread is None else self.unread

    def without(self, dropped: NDArray[np.bool_], apart: NDArray[np.bool_]) -> ProbePath | None:
        """Return the path without some samples; None when no sample is left.

        Args:
            dropped: which samples are left out, shape (n,).
            apart: to which samples no path leads any more, shape (n,).
        """
        if not (dropped.any() or apart.any()):
            return self
        kept = ~dropped
        if not kept.any():
            return None
        apart_now = replace(self, known=self.known & ~apart, resets=self.resets | apart)
        return apart_now if kept.all() else apart_now[kept]


class PlacingObserver(Protocol):
    """Receives placed readings and the path, for what a scan measures in addition to its cells."""

    def placed(self, placed: Placed) -> None:
        """Receive readings with their positions."""
        ...

    def moved_along(self, path: ProbePath) -> None:
        """Receive a piece of the probe's path."""
        ...

    def delay_changed(self) -> None:
        """Readings from now on are placed with another delay than those before."""
        ...
