"""The grid: what each cell holds, and how readings get into it.

All layers are flat arrays of one value per cell in row order (index × scan). A cell that was never
reached holds zeros and takes no memory (`plan_arrays`): nothing goes through a layer as a whole.

Readings come in the order in which they became known; how many come at once changes nothing: means
are sums of whole units, and of equal readings the first one counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats, Ints, distinct, run_lengths, run_starts
from swathe.pipeline.cells.cell_places import carriage_places, parts_within
from swathe.pipeline.cells.cell_visits import CellVisits
from swathe.pipeline.cells.known_times import known_times
from swathe.pipeline.cells.plan_arrays import PlanArrays, TouchedCells, plan_zeros
from swathe.pipeline.cells.probe_shares import ProbeShares
from swathe.pipeline.cells.waveforms import PendingWaveforms
from swathe.pipeline.cells.winners import beats, winners
from swathe.reading_flags import CELL_BITS, READING_BITS, ReadingFlag
from swathe.station import NO_PROBE, Axis, CellRule

__all__ = ["CellState", "CellUpdate", "Grid"]

# Means are sums of 2**-29 mm, 2 pm: for a wall of 10 mm, 20 days of 1,000 readings a second fit.
# What is thicker than fifteen kilometres counts as that.
_UNITS_PER_MM = 2.0**29
_MOST_MM = 1.5e7
_ALL_BITS = READING_BITS | CELL_BITS


@dataclass(frozen=True, slots=True)
class CellUpdate:
    """Cells that got readings or were excluded.

    Attributes:
        cells: flat cells, rising, each once, shape (n,).
        before: their states before, shape (n,).
    """

    cells: Cells
    before: NDArray[np.uint8]


class CellState(IntEnum):
    """State of a cell; a higher one is never replaced by a lower one of the first five."""

    UNVISITED = 0
    UNCERTAIN = 1
    """The probe was there; the times of the readings are too uncertain to say whether one was taken
    in this cell, or one was taken there and could not be placed in time, or was not received whole."""
    SKIPPED = 2
    """The probe passed between two readings."""
    NO_SIGNAL = 3
    """The probe was there, but no reading had an echo."""
    MEASURED = 4
    SUSPECT = 5
    """Measured, but a later calibration check failed, or the position was lost by a slip; a reading
    under a passed check at a sound position makes it measured."""
    EXCLUDED = 6
    """An obstruction, named by the plan or by an operator."""


class Grid(PlanArrays):
    """Cells of scan × index.

    Args:
        scan: the scan axis.
        index: the index axis.
        rule: which reading of a cell represents it.
        channels: names of the layers of further numbers.
    """

    def __init__(
        self, *, scan: Axis, index: Axis, rule: CellRule, channels: tuple[str, ...] = ()
    ) -> None:
        self.scan = scan
        self.index = index
        self.rule = rule
        self.shape = (index.cells, scan.cells)
        cells = index.cells * scan.cells
        self.touched = TouchedCells(cells)
        self.state = plan_zeros(cells, np.uint8)
        self.hits = plan_zeros(cells, np.uint32)
        self.passes = plan_zeros(cells, np.uint32)
        self.thickness = plan_zeros(cells, np.float64)
        self._thickness_sum = plan_zeros(cells, np.int64)
        self.time_of_flight = plan_zeros(cells, np.float64)
        self.amplitude = plan_zeros(cells, np.float32)
        self.last_time = plan_zeros(cells, np.int64)
        self.probe = plan_zeros(cells, np.uint8)  # without a reading, the last one that passed
        self.shares = ProbeShares(self, mean=rule is CellRule.MEAN)
        self.quality = plan_zeros(cells, np.uint16)
        # Where in its cell that reading was taken, along scan and index, in 1/`PLACES` of a cell.
        self.within = plan_zeros((cells, 2), np.int8)
        self.visits = CellVisits(self.shape, (index.wrapped, scan.wrapped), self.touched)
        self.slipped = plan_zeros(cells, bool)  # suspect by a slip, whatever a check says
        self.unplaced = plan_zeros(cells, bool)  # a reading taken there is placed nowhere
        self.unread = plan_zeros(cells, bool)  # one that the gauge may have sent there was not read
        self.excluded_in_row = plan_zeros(index.cells, np.int64)
        self.outside = 0
        self.waveform: NDArray[Any] | None = None
        self.channel_names = channels
        # Of the reading that represents the cell, shape (cells, channels); None without any.
        self.channels = plan_zeros((cells, len(channels)), np.float32) if channels else None

    def keep_waveforms(self, samples: int, dtype: np.dtype[Any]) -> None:
        """Keep, of each cell, the waveform of the reading that represents it."""
        self.waveform = plan_zeros((self.state.size, samples), dtype)

    def cells_at(self, scan: NDArray[np.float64], index: NDArray[np.float64]) -> Cells:
        """Return the flat cell of each position in mm, -1 outside the grid, shape (n,)."""
        column = self.scan.cell(scan)
        row = self.index.cell(index)
        return np.where((column >= 0) & (row >= 0), row * self.scan.cells + column, -1)

    def begin_update(self, cells: Cells) -> CellUpdate:
        """Return the update that a change of flat `cells`, -1 outside the grid, is about to make."""
        stays = distinct(cells[run_starts(cells)])
        touched = stays[stays >= 0]
        self.touched.add(touched)
        return CellUpdate(touched, self.state[touched].copy())

    def exclude(self, rows: Cells, columns: Cells) -> None:
        """Exclude the cells of some rows and columns from the plan."""
        state = self.state.reshape(self.shape)
        for row in rows.tolist():
            fresh = columns[state[row, columns] != CellState.EXCLUDED]
            state[row, fresh] = CellState.EXCLUDED
            self.touched.add(row * self.shape[1] + fresh)
            self.excluded_in_row[row] += fresh.size

    def required_in(self, rows: Cells, columns: Cells) -> Cells:
        """Return the required flat cells of some rows and columns, both rising, rising."""
        number = (rows[:, np.newaxis] * self.shape[1] + columns).ravel()
        return np.asarray(number[self.state[number] != CellState.EXCLUDED], np.int64)

    def add(
        self,
        readings: NDArray[Any],
        cells: Cells,
        utc_offset: int,
        *,
        suspect: bool | Bools = False,
        waveforms: PendingWaveforms | None = None,
        uncertain: NDArray[np.bool_] | None = None,
        place: tuple[Floats, Floats] | None = None,
        datum: Floats | None = None,
    ) -> None:
        """Put readings into their cells.

        Args:
            readings: shape (n,), dtype `READING` with thickness in mm filled in.
            cells: flat cell of each reading, -1 outside the grid, shape (n,).
            utc_offset: ns from the host's monotonic clock to UTC.
            suspect: whether a calibration check failed and none passed since, or the positions are
                unsound: such readings make a cell suspect, and are not added to a measured one; of
                several probes for each reading, shape (n,).
            waveforms: has the readings' waveforms and channels, if they are kept.
            uncertain: whether it is not known if a reading was taken in its cell or in another,
                shape (n,): one without an echo then is no evidence that there is none; known by
                default.
            place: scan and index position of each reading, mm, shape (n,) each; the centres of
                their cells by default.
            datum: of several probes, position of the carriage's datum, mm, shape (n, 2).
        """
        stays = self.visits.follow(
            cells, None if datum is None else carriage_places(self.scan, self.index, datum)
        )
        inside = cells >= 0
        valid = inside & readings["valid"] & np.isfinite(readings["thickness"])
        kept: slice | Ints = slice(None)
        if not valid.all():
            self.outside += int(np.count_nonzero(~inside))
            without = inside & ~valid
            if uncertain is not None:
                self._raise_state(cells[without & uncertain], CellState.UNCERTAIN)
                without &= ~uncertain
            self._raise_state(cells[without], CellState.NO_SIGNAL)
            self._note_impossible(readings, cells, inside)
            kept = np.flatnonzero(valid)
        doubtful: Cells | None = None
        if isinstance(suspect, bool) and not suspect:
            entered = cells[kept][run_starts(cells[kept])]
            self._empty(entered[self.state[entered] == CellState.SUSPECT])
        else:
            kept, doubtful = self._take_suspect(readings, cells, valid & suspect, valid)
        at = cells[kept]
        if at.size:
            good = readings[kept]
            self.visits.add(stays, stays.of_reading[kept], good["thickness"])
            taken = None if place is None else (place[0][kept], place[1][kept])
            within = None if taken is None else parts_within(self.scan, self.index, taken)
            self._add_valid(good, at, utc_offset, waveforms, within)
        if doubtful is not None:
            self.mark_suspect(doubtful[self.state[doubtful] == CellState.MEASURED])

    def _take_suspect(
        self, readings: NDArray[Any], cells: Cells, suspect: Bools, valid: Bools
    ) -> tuple[Ints, Cells]:
        """Return which readings are added, and the cells that suspect ones of these make suspect.

        A sound reading in a cell replaces the suspect ones in it, whichever came first.
        """
        rows = np.flatnonzero(valid)
        at, bad = cells[rows], suspect[rows]
        if self.shares.has_several and at.size:
            first = np.unique(at, return_index=True)[1]
            first = first[bad[first] & self.missing(at[first])]
            first = first[self.state[at[first]] != CellState.SUSPECT]
            self.shares.note_fresh(at[first], readings["probe"][rows[first]])
        sound = at[~bad]
        entered = sound[run_starts(sound)]
        self._empty(entered[self.state[entered] == CellState.SUSPECT])
        self._raise_state(entered, CellState.MEASURED)
        kept = ~bad | (self.state[at] != CellState.MEASURED)
        return rows[kept], at[kept & bad]

    def _note_impossible(
        self, readings: NDArray[Any], cells: Cells, inside: NDArray[np.bool_]
    ) -> None:
        """Flag the cells without a valid reading in which an impossible one was taken."""
        impossible = inside & ((readings["flags"] & ReadingFlag.IMPOSSIBLE) > 0)
        if impossible.any():
            at = cells[impossible]
            self.quality[at[self.hits[at] == 0]] |= np.uint16(ReadingFlag.IMPOSSIBLE)

    def mark_suspect(self, cells: Cells, *, slipped: bool = False) -> None:
        """Make measured cells suspect, by a check or by a slip."""
        self.state[cells] = CellState.SUSPECT
        if slipped:
            self.slipped[cells] = True

    def clear_suspect(self, cells: Cells) -> None:
        """Make suspect cells measured again: the failed check was overridden."""
        self.state[cells] = CellState.MEASURED

    @property
    def newest_time(self) -> int:
        """Time of the newest valid reading, ns UTC; 0 without one."""
        return self.touched.highest(self.last_time)

    def missing(self, cells: Cells | slice) -> NDArray[np.bool_]:
        """Return whether each of `cells` is required and not measured."""
        state = self.state[cells]
        return np.asarray((state < CellState.MEASURED) | (state == CellState.SUSPECT))

    def _empty(self, cells: Cells) -> None:
        """Drop suspect readings: sound ones replace them."""
        self.visits.clear(cells)
        self.shares.empty(cells)
        self.hits[cells] = 0
        self._thickness_sum[cells] = 0
        self.last_time[cells] = 0
        self.quality[cells] = 0
        self.slipped[cells] = False
        self.state[cells] = CellState.UNVISITED

    def clear(self, cells: Cells) -> None:
        """Let cells be as if never read, but for their passes."""
        self._empty(cells)
        if self.waveform is not None:
            self.waveform[cells] = 0

    def _add_valid(
        self,
        good: NDArray[Any],
        at: Cells,
        utc_offset: int,
        waveforms: PendingWaveforms | None,
        within: NDArray[np.int8] | None,
    ) -> None:
        # The probe stays in a cell for many readings: what can be is done once for each stay.
        begins = run_starts(at)
        stays = at[begins]
        rows = winners(self.rule, good, at, begins)
        best, where = good[rows], at[rows]
        replace = (self.hits[where] == 0) | beats(
            self.rule, best, self.thickness[where], self.amplitude[where]
        )
        best, where = best[replace], where[replace]
        self.within[where] = 0 if within is None else within[rows[replace]]
        self.thickness[where] = best["thickness"]
        self.time_of_flight[where] = best["time_of_flight"]
        self.amplitude[where] = best["amplitude"]
        self.probe[where] = best["probe"]
        self.shares.represent(best, where, utc_offset)
        self.shares.add(good, at)
        self._put_flags(good, stays, begins, best["flags"], where)
        if self.waveform is not None and waveforms is not None and where.size:
            self.waveform[where] = waveforms.take(best)
        if self.channels is not None and waveforms is not None and where.size:
            self.channels[where] = waveforms.take_channels(best)
        np.add.at(self.hits, stays, run_lengths(begins, at.size).astype(np.uint32))
        units = np.clip(good["thickness"], -_MOST_MM, _MOST_MM)
        units = np.rint(np.multiply(units, _UNITS_PER_MM, out=units), out=units).astype(np.int64)
        np.add.at(self._thickness_sum, stays, np.add.reduceat(units, begins))
        if self.rule is CellRule.MEAN:
            self.thickness[stays] = self.mean_thickness(stays)
        last = np.maximum.reduceat(good["time"], begins) + utc_offset
        np.maximum.at(self.last_time, stays, last)
        self._raise_state(stays, CellState.MEASURED)

    def _put_flags(
        self,
        good: NDArray[Any],
        stays: Cells,
        begins: NDArray[np.int64],
        flags: NDArray[np.uint16],
        where: Cells,
    ) -> None:
        """Put the bits of readings into their cells.

        Args:
            good: valid readings, shape (n,).
            stays: cell of each stay of the probe, shape (m,).
            begins: first reading of each stay, shape (m,).
            flags: of the readings that represent cells from now on, shape (k,).
            where: their cells, each once, shape (k,).
        """
        if self.rule is CellRule.MEAN:  # each reading has its share in the value
            self.quality[stays] &= np.uint16(~ReadingFlag.IMPOSSIBLE & _ALL_BITS)
            if good["flags"].any():
                found = np.bitwise_or.reduceat(np.ascontiguousarray(good["flags"]), begins)
                np.bitwise_or.at(self.quality, stays, found)
            return
        self.quality[where] &= np.uint16(CELL_BITS)
        self.quality[where] |= flags & np.uint16(READING_BITS)

    def mean_thickness(self, cells: Cells | slice | int) -> NDArray[np.float64]:
        """Return the mean of all readings of each of `cells`, mm; 0 without any."""
        total, hits = self._thickness_sum[cells], self.hits[cells]
        return np.asarray(total / np.maximum(hits, 1) / _UNITS_PER_MM)

    def pass_over(
        self,
        cells: Cells,
        silent: NDArray[np.bool_],
        uncertain: NDArray[np.bool_] | None = None,
        probe: NDArray[np.uint8] | None = None,
    ) -> None:
        """Count a pass over cells that a probe entered, in this order, shape (n,).

        Args:
            cells: entered.
            silent: whether the gauge sent nothing there, rather than too few readings.
            uncertain: whether it is not known if a reading was taken there; it is by default.
            probe: that passed; the first one by default.
        """
        self.touched.add(cells)
        np.add.at(self.passes, cells, 1)
        if probe is not None:
            self.probe[cells] = np.where(self.hits[cells] == 0, probe, self.probe[cells])
        if uncertain is not None and uncertain.any():
            self._raise_state(cells[uncertain], CellState.UNCERTAIN)
            cells, silent = cells[~uncertain], silent[~uncertain]
        self.lose(cells[silent])
        self._raise_state(cells[~silent], CellState.SKIPPED)

    def lose(self, cells: Cells) -> None:
        """Take note that readings which would have been taken in `cells` are lost."""
        self.touched.add(cells)
        self._raise_state(cells, CellState.NO_SIGNAL)

    def _raise_state(self, cells: Cells, state: CellState) -> None:
        np.maximum.at(self.state, cells, np.uint8(state))

    def layer(self, name: str, rows: slice, columns: slice) -> NDArray[Any]:
        """Return a block of a layer as it is stored; NaN in cells without readings (`known_times`).

        Args:
            name: of a layer or channel.
            rows: index cells.
            columns: scan cells.
        """

        def block(values: NDArray[Any]) -> NDArray[Any]:
            return values.reshape(self.shape)[rows, columns]

        values, hits = block(getattr(self, name, self.hits)), block(self.hits)
        if name in ("state", "passes", "hits", "quality"):
            return values.copy()
        if name == "probe":
            return np.where(hits > 0, values, NO_PROBE).astype(np.uint8)
        if name == "last_time":
            return known_times(values, hits > 0)
        if name == "thickness_mean":
            values = block(self._thickness_sum) / np.maximum(hits, 1) / _UNITS_PER_MM
        elif self.channels is not None and name in self.channel_names:
            values = block(self.channels[:, self.channel_names.index(name)])
        return np.where(hits > 0, values, np.nan).astype(np.float32)
