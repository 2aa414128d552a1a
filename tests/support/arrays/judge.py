"""The judge of a carriage with several probes: what a pipeline made of its journal, next to the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from support.arrays.scenes import ArrayWorld
from swathe.journal import Tick
from swathe.pipeline import CellState, Pipeline, Placed
from swathe.pipeline.placing.fates import ReadingFate
from swathe.station import Axis, probes_of

__all__ = ["ArrayVerdict", "Judged", "TrueReadings", "judge_array", "true_readings"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BORDER_MM = 0.4
"""A reading so near a border may be placed in the cell next to it by an error within the target."""


@dataclass(frozen=True, slots=True)
class TrueReadings:
    """All readings as they truly were, shape (n,) each.

    Attributes:
        probe: number in the station file.
        offset: byte offset of its record in its device's stream.
        time: host time, ns.
        scan, index: where the sound went in, mm.
        thickness: mm, of the wall there.
        echo: whether there was one.
    """

    probe: Ints
    offset: Ints
    time: Ints
    scan: Floats
    index: Floats
    thickness: Floats
    echo: Bools


def true_readings(world: ArrayWorld) -> TrueReadings:
    """Return the truth of all readings of a world, by probe and offset."""
    probes = probes_of(world.station).probes
    parts: list[tuple[NDArray[np.void], Ints, Ints]] = []
    for name, sent in world.recording.sent.items():
        own = [probe for probe in probes if probe.device == name]
        if not own:
            continue
        ends = np.cumsum(sent.rows["length"])
        first = np.repeat(np.flatnonzero(sent.rows["length"]), _runs(sent.rows["length"]))
        offset = ends[first] - sent.rows["length"][first]
        number = np.full(sent.rows.size, -1)
        for probe in own:
            is_own = probe.input is None
            number[is_own | (sent.rows["probe"] == probe.input)] = probe.number
        parts.append((sent.rows, number, offset))
    rows = np.concatenate([part[0] for part in parts])
    return TrueReadings(
        probe=np.concatenate([part[1] for part in parts]),
        offset=np.concatenate([part[2] for part in parts]),
        time=world.start_ns + np.rint(rows["world_time_s"] * 1e9).astype(np.int64),
        scan=rows["scan_mm"].copy(),
        index=rows["index_mm"].copy(),
        thickness=rows["thickness_mm"].copy(),
        echo=rows["valid"].copy(),
    )


def _runs(length: Ints) -> Ints:
    """Return how many rows each line has; the first of them has its bytes."""
    starts = np.flatnonzero(length)
    return np.diff(np.append(starts, length.size))


@dataclass(frozen=True, slots=True)
class ArrayVerdict:
    """Figures of one run.

    Attributes:
        cells: of the grid.
        truly: cells in which a reading was truly taken, had an echo and arrived.
        measured: cells that are measured as the pipeline has it.
        false_gaps: truly measured cells in a gap at the end, but for those of which all readings are
            near a border.
        false_claims: truly measured cells, not near a border, that a gap claimed at any time after
            their reading was taken.
        missed_gaps: cells not truly measured, in no gap, further than a cell from one truly measured.
        false_causes: cells in a gap said to be without signal, where there was an echo in each reading
            there and next to it; or passed too fast, where there were readings, there and next to it.
        rms, most: distance of the places from the true ones, mm; of placed readings.
        thickness: largest difference of a cell's minimum from that of the true thickness under the readings
            that were placed there, mm.
        compared: of how many cells that is.
        wrong_probe: measured cells whose reading is said to be of a probe that has no echo placed there.
        readings, unplaced: which arrived; and of these, without a position.
        gaps: open at the end.
    """

    cells: int
    truly: int
    measured: int
    false_gaps: int
    false_claims: int
    missed_gaps: int
    false_causes: int
    rms: float
    most: float
    thickness: float
    compared: int
    wrong_probe: int
    readings: int
    unplaced: int
    gaps: int


class PlacedByProbe:
    """Keeps where a pipeline placed each reading, by probe and byte offset."""

    def __init__(self) -> None:
        self._pieces: list[tuple[Ints, Floats, Floats, Ints]] = []

    def open_run(self, utc_offset: int) -> None:
        """Take no notice: there is one run."""

    def decoded(self, readings: NDArray[Any], fate: ReadingFate | None) -> None:
        """Take no notice: what is placed is what counts."""

    def without_place(self, readings: NDArray[Any], fate: ReadingFate) -> None:
        """Take no notice: what is never placed is missing at the end."""

    def placed(self, placed: Placed, cells: NDArray[np.intp]) -> None:
        """Keep readings with their positions and cells."""
        key = _keys(placed.readings["probe"], placed.readings["offset"])
        self._pieces.append((key, placed.scan, placed.index, cells.astype(np.int64)))

    def settled(self, before: Ints | None) -> None:
        """Take no notice: places are not given twice here."""

    def columns(self) -> tuple[Ints, Floats, Floats, Ints]:
        """Return keys, scan and index positions, mm, and cells, in the order of the keys."""
        if not self._pieces:
            return np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.int64)
        key, scan, index, cells = (np.concatenate(one) for one in zip(*self._pieces, strict=True))
        order = np.argsort(key, kind="stable")
        return key[order], scan[order], index[order], cells[order]


def _keys(probe: NDArray[np.integer], offset: Ints) -> Ints:
    return probe.astype(np.int64) << 48 | offset


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with what it is of.

    Attributes:
        verdict: the figures.
        pipeline: at the end.
        truth: of all readings.
        gap_first: for each cell the host time of the tick at which a gap held it first, ns; the
            highest number where none ever did.
    """

    verdict: ArrayVerdict
    pipeline: Pipeline
    truth: TrueReadings
    gap_first: Ints = field(repr=False)


def judge_array(world: ArrayWorld) -> Judged:
    """Run a pipeline over a world and compare."""
    seen = PlacedByProbe()
    pipeline = Pipeline(world.station)
    pipeline.reading_observer = seen
    grid, truth = pipeline.grid, true_readings(world)
    cells = grid.state.size
    axes = world.station.scan_axis, world.station.index_axis
    flat = _flat(*axes, truth.scan, truth.index)
    inside = flat >= 0
    good = truth.echo & inside
    border = _near_border(axes[0], truth.scan) | _near_border(axes[1], truth.index)
    sure = good & ~border
    never = np.iinfo(np.int64).max
    first_sure = np.full(cells, never)
    np.minimum.at(first_sure, flat[sure], truth.time[sure])
    claimed, held = np.zeros(cells, bool), np.zeros(cells, bool)
    gap_first = np.full(cells, never)
    for entry in world.entries[:-1]:
        pipeline.feed(entry)
        if isinstance(entry, Tick):
            now_held = pipeline.coverage.gaps.holds(np.arange(cells))
            opened = now_held & ~held
            claimed |= opened & (first_sure < entry.time)
            gap_first[opened & (gap_first == never)] = entry.time
            held = now_held
    pipeline.feed(world.entries[-1])

    in_gap = pipeline.coverage.gaps.holds(np.arange(cells))
    truly, surely = _count(flat[good], cells) > 0, _count(flat[sure], cells) > 0
    near = _spread(truly, grid.shape)
    without = _count(flat[inside & ~truth.echo], cells) > 0
    passed = _count(flat[inside & ~border], cells) > 0
    state = grid.state
    wrong = in_gap & (state == CellState.NO_SIGNAL) & ~_spread(without, grid.shape)
    wrong |= in_gap & (state == CellState.SKIPPED) & ~_spread(~passed, grid.shape)
    rows, placed_cells, off = _found(truth, seen)
    thickness, compared = _thickness_error(pipeline, truth, rows, placed_cells)
    verdict = ArrayVerdict(
        cells=cells,
        truly=int(truly.sum()),
        measured=int(np.count_nonzero(state == CellState.MEASURED)),
        false_gaps=int(np.count_nonzero(in_gap & surely)),
        false_claims=int(np.count_nonzero(claimed)),
        missed_gaps=int(np.count_nonzero(~in_gap & ~near & (state != CellState.EXCLUDED))),
        false_causes=int(np.count_nonzero(wrong)),
        rms=float(np.sqrt(np.mean(off**2))) if off.size else float("nan"),
        most=float(off.max(initial=0.0)),
        thickness=thickness,
        compared=compared,
        wrong_probe=_wrong_probes(pipeline, truth, rows, placed_cells),
        readings=truth.probe.size,
        unplaced=truth.probe.size - np.unique(rows).size,
        gaps=pipeline.coverage.gaps.open_count,
    )
    return Judged(verdict, pipeline, truth, gap_first)


def _found(truth: TrueReadings, seen: PlacedByProbe) -> tuple[Ints, Ints, Floats]:
    """Return which readings were placed, in which cells, and how far from where they were, mm."""
    key, scan, index, cells = seen.columns()
    true_key = _keys(truth.probe, truth.offset)
    order = np.argsort(true_key, kind="stable")
    at = np.minimum(np.searchsorted(true_key[order], key), true_key.size - 1)
    rows = order[at]
    found = true_key[rows] == key
    rows = rows[found]
    off = np.hypot(scan[found] - truth.scan[rows], index[found] - truth.index[rows])
    return rows, cells[found], off


def _thickness_error(
    pipeline: Pipeline, truth: TrueReadings, rows: Ints, cells: Ints
) -> tuple[float, int]:
    """Return the largest difference of the minimum of a cell, mm, and of how many cells it is.

    Args:
        pipeline: at the end.
        truth: of all readings.
        rows: which of them were placed.
        cells: where.
    """
    grid = pipeline.grid
    lowest = np.full(grid.state.size, np.inf)
    good = truth.echo[rows] & (cells >= 0)
    np.minimum.at(lowest, cells[good], truth.thickness[rows[good]])
    compared = (grid.state == CellState.MEASURED) & np.isfinite(lowest)
    if not compared.any():
        return float("nan"), 0
    off = np.abs(grid.thickness - lowest)[compared]
    return float(off.max()), int(compared.sum())


def _wrong_probes(pipeline: Pipeline, truth: TrueReadings, rows: Ints, cells: Ints) -> int:
    """Return in how many measured cells the reading is said to be of a probe with none placed there."""
    grid = pipeline.grid
    measured = grid.state == CellState.MEASURED
    wrong = np.zeros(grid.state.size, bool)
    for number in np.unique(grid.probe[measured]).tolist():
        of_probe = truth.echo[rows] & (truth.probe[rows] == number)
        own = _count(cells[of_probe], grid.state.size) > 0
        wrong |= measured & (grid.probe == number) & ~own
    return int(np.count_nonzero(wrong))


def _flat(scan: Axis, index: Axis, at_scan: Floats, at_index: Floats) -> Ints:
    """Return the flat cell of each position, -1 outside."""
    column, row = scan.cell(at_scan), index.cell(at_index)
    return np.where((column < 0) | (row < 0), -1, row * scan.cells + column)


def _near_border(axis: Axis, at: Floats) -> Bools:
    within = np.mod(axis.offset(at), 1.0) * axis.resolution
    return np.asarray(np.minimum(within, axis.resolution - within) < BORDER_MM)


def _count(flat: Ints, cells: int) -> Ints:
    return np.bincount(flat[flat >= 0], minlength=cells)


def _spread(cells: Bools, shape: tuple[int, int]) -> Bools:
    """Return cells and those next to them, corners included."""
    padded = np.pad(cells.reshape(shape), 1)
    found = np.zeros(shape, bool)
    for row in range(3):
        for column in range(3):
            found |= padded[row : row + shape[0], column : column + shape[1]]
    return found.reshape(-1)
