"""Axes that come in records of their own, now and then, and keep their value in between.

Positions are made by the records that have the other axes. An axis whose value is not known yet, after the
port has opened, makes no position: nobody knows where it is. Neither does one of which a record may have been damaged
since its last one: any bytes that gave no record may have been it, unless they were a whole record of another kind
with a value that is none.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import Abilities, Column, IndexMark
from swathe_drivers.records import Batch, FaultReason, begins_record, position_dtype
from swathe_drivers.settings import SettingProblem

AxisRows = Sequence[tuple[NDArray[np.int64], Mapping[str, NDArray[Any]]]]
"""Offsets of records, rising, and what they hold by name."""


# Of a record that came whole, as of its kind.
_OF_VALUES = {FaultReason.OUT_OF_RANGE, FaultReason.NOT_FINITE}


@dataclass(frozen=True, slots=True)
class _KindAxes:
    """The axes of one kind of records.

    Attributes:
        kind: the abilities without the held axes.
        held: their roll-over and whether they are lengths, by name.
    """

    kind: Abilities
    held: Mapping[str, tuple[int | None, bool]]

    @classmethod
    def of(cls, kind: Abilities, held: Sequence[str]) -> Self:
        """Return what is of the held axes, and the abilities without them."""
        own = {
            axis: (kind.count_periods.get(axis), axis in kind.length_axes)
            for axis in kind.axes
            if axis in held
        }
        if not own:
            return cls(kind, {})
        axes = tuple(axis for axis in kind.axes if axis not in own)
        without = replace(
            kind,
            axes=axes,
            count_periods={axis: kind.count_periods[axis] for axis in axes},
            length_axes=kind.length_axes.difference(own),
            gives_positions=bool(axes),
            combined=kind.gives_readings and bool(axes),
        )
        return cls(without, own)


def leading(kinds: Sequence[Abilities], held: Sequence[str]) -> list[Abilities]:
    """Return what each kind gives without the axes that are held."""
    return [_KindAxes.of(kind, held).kind for kind in kinds]


def with_held(joined: Abilities, kinds: Sequence[Abilities], held: Sequence[str]) -> Abilities:
    """Return what kinds of records give together, with the axes that are held as well."""
    known = {axis: what for kind in kinds for axis, what in _KindAxes.of(kind, held).held.items()}
    return replace(
        joined,
        axes=joined.axes + tuple(held),
        count_periods={**joined.count_periods, **{axis: known[axis][0] for axis in held}},
        length_axes=joined.length_axes.union(axis for axis in held if known[axis][1]),
    )


def held_problems(
    kinds: Sequence[Abilities], columns: Iterable[Column], held: Sequence[str]
) -> list[SettingProblem]:
    """Return what is wrong with the axes that are held; the path is that of their key.

    Args:
        kinds: what each kind of records gives.
        columns: of all kinds.
        held: names of the axes.
    """
    path: tuple[str | int, ...] = ("held_axes",)
    found: list[SettingProblem] = []
    parts = [_KindAxes.of(kind, held) for kind in kinds]
    if not held:
        return []
    for axis in held:
        own = {part.held[axis] for part in parts if axis in part.held}
        if not own:
            found.append((path, "must be axes of a record", axis))
        elif len(own) > 1:
            found.append((path, "must roll over at the same number in all records", axis))
        if all(axis in kind.axes for kind in kinds if kind.gives_positions):
            requirement = "must leave out an axis that all records with positions have"
            found.append((path, requirement, axis))
    if not any(part.kind.gives_positions for part in parts):
        requirement = "must leave out the axis whose records make the positions"
        found.append((path, requirement, list(held)))
    found += [
        (path, "must leave out an axis with an index mark", one.axis)
        for one in columns
        if isinstance(one, IndexMark) and one.axis in held
    ]
    return found


class AxisHolder:
    """Puts the axes that are held into the positions of other records; without any, batches stay as they are.

    Attributes:
        holds: whether there are any.
    """

    def __init__(self, axes: Sequence[str], held: Sequence[str]) -> None:
        """Take the axes of the positions, in order, and those of them that are held."""
        self._axes = tuple(axes)
        self._held = tuple(held)
        self.holds = bool(held)
        # Of the chunk that is decoded: offsets of faults, and the byte before which some are not listed.
        self._doubts: list[int] = []
        self._unlisted = -1
        self.forget()

    def forget(self) -> None:
        """Forget where the axes are: the port was lost, and nobody knows what moved meanwhile."""
        self._last = dict.fromkeys(self._held, np.nan)

    def doubt(self, batch: Batch, axes: Sequence[str] = ()) -> Batch:
        """Return a batch of which the faults are taken: records of held axes may be among these bytes.

        Args:
            batch: of one kind of records, or what became of bytes that are of none; `filled` follows.
            axes: of the kind, those that are held included.
        """
        if not self.holds:
            return batch
        whole = set() if any(axis in self._held for axis in axes) else _OF_VALUES
        self._doubts += [one.offset for one in batch.faults if one.reason not in whole]
        if batch.faults and sum(batch.n_faults.values()) > len(batch.faults):
            self._unlisted = max(self._unlisted, batch.faults[0].offset)
        return batch

    def widened(self, batch: Batch, axes: Sequence[str]) -> Batch:
        """Return a batch of one kind of records with the positions of all axes, NaN where it has none.

        Its faults are taken.

        Args:
            batch: of the kind.
            axes: of the kind.
        """
        if not self.holds:
            return batch
        self.doubt(batch, axes)
        positions = np.zeros(batch.positions.size, position_dtype(len(self._axes)))
        for name in ("time", "device_time", "sequence", "offset", "size"):
            positions[name] = batch.positions[name]
        positions["counts"] = np.nan
        for number, axis in enumerate(axes):
            at = self._axes.index(axis)
            positions["counts"][:, at] = batch.positions["counts"][:, number]
            positions["mark"][:, at] = batch.positions["mark"][:, number]
        return replace(batch, positions=positions)

    def filled(self, batch: Batch, rows: AxisRows) -> Batch:
        """Return a batch of all kinds of records with the axes filled in.

        What has no position is left out, as records with nothing but held axes have none: a reading of the
        same record, too, which is counted as ignored.

        Args:
            batch: with `widened` positions in the order of the stream.
            rows: what the records hold.
        """
        if not self.holds:
            return batch
        positions = batch.positions
        counts = positions["counts"].copy()
        doubts = np.sort(np.array(self._doubts, np.int64))
        doubted = np.append(-1, doubts)[np.searchsorted(doubts, positions["offset"])]
        newest_doubt = int(doubts[-1]) if doubts.size else -1
        for axis in self._held:
            own = [
                (offsets, columns[f"axis {axis}"])
                for offsets, columns in rows
                if f"axis {axis}" in columns
            ]
            held = np.full(counts.shape[0], self._last[axis])
            since = np.full(counts.shape[0], -1)
            newest = -1
            if own:
                offsets = np.concatenate([offsets for offsets, _ in own])
                values = np.concatenate([values for _, values in own]).astype(np.float64)
                order = np.argsort(offsets, kind="stable")
                offsets, values = offsets[order], values[order]
                at = np.searchsorted(offsets, positions["offset"], side="right") - 1
                held = np.where(at < 0, held, values[np.maximum(at, 0)])
                since = np.where(at < 0, since, offsets[np.maximum(at, 0)])
                self._last[axis], newest = values[-1], int(offsets[-1])
            held = np.where(
                (doubted > since) | (positions["offset"] < self._unlisted), np.nan, held
            )
            if newest_doubt > newest:
                self._last[axis] = np.nan
            counts[:, self._axes.index(axis)] = held
        self._doubts, self._unlisted = [], -1
        known = ~np.isnan(counts).any(axis=1)
        positions = positions.copy()
        positions["counts"] = counts
        if known.all():
            return replace(batch, positions=positions)
        if batch.combined:
            batch = _without_readings(batch, known)
        return replace(
            batch, positions=positions[known], positions_known_at=batch.positions_known_at[known]
        )


def _without_readings(batch: Batch, known: NDArray[np.bool_]) -> Batch:
    """Return a combined batch without the readings of the records that are not `known`."""
    keep = known[np.cumsum(begins_record(batch.readings)) - 1]
    also = {
        name: values[keep]
        for name in ("readings_known_at", "waveforms", "channels")
        if (values := getattr(batch, name)) is not None and len(values) == keep.size
    }
    ignored = batch.n_ignored + int(np.count_nonzero(~known))
    return replace(batch, readings=batch.readings[keep], n_ignored=ignored, **also)
