"""The judge of a world: what a pipeline made of its journal, compared with the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from support.world.worlds import World
from swathe.journal import Tick
from swathe.pipeline import CellState, Pipeline, Placed, ProbePath
from swathe.station import Axis

__all__ = ["PlacedReadings", "Verdict", "errors_of", "judge"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BORDER_MM = 0.3
"""A reading so near a border may be placed in the cell next to it by an error within the target."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Figures of one run.

    Attributes:
        cells: of the grid.
        truly: cells with a reading that was truly taken in them, had an echo and arrived.
        measured: cells that are measured as the pipeline has it.
        false_gaps: truly measured cells in a gap at the end, but for those of which all readings are
            near a border.
        false_strict: the same with those.
        false_claims: truly measured cells, not near a border, that a gap claimed at any time after
            their reading was taken.
        missed_gaps: cells not truly measured, in no gap, further than a cell from one truly measured.
        false_causes: cells in a gap of which the cause is not true, neither there nor next to it.
        causes: false causes by the state they are of.
        rms, p99, most: error of the position along the scan axis of moving readings, mm.
        bias: mean of that error, signed by the direction of motion, mm.
        readings: which arrived.
        unplaced: of these, without a position.
        gaps: open at the end.
    """

    cells: int
    truly: int
    measured: int
    false_gaps: int
    false_strict: int
    false_claims: int
    missed_gaps: int
    false_causes: int
    causes: dict[str, int]
    rms: float
    p99: float
    most: float
    bias: float
    readings: int
    unplaced: int
    gaps: int

    def __str__(self) -> str:
        causes = " ".join(f"{name}={count}" for name, count in self.causes.items())
        return (
            f"truly {100 * self.truly / self.cells:.1f} % measured {100 * self.measured / self.cells:.1f} %"
            f"  gaps {self.gaps}  false {self.false_gaps} (strict {self.false_strict},"
            f" claimed {self.false_claims})  missed {self.missed_gaps}"
            f"  false causes {self.false_causes} {causes}"
            f"  mm: RMS {self.rms:.3f} 99 % {self.p99:.3f} max {self.most:.3f} bias {self.bias:+.3f}"
            f"  unplaced {self.unplaced} of {self.readings}"
        )


class PlacedReadings:
    """Keeps where a pipeline placed each reading, by its byte offset."""

    def __init__(self) -> None:
        self._pieces: list[tuple[Ints, Floats, Floats]] = []

    def placed(self, placed: Placed) -> None:
        """Keep readings with their positions."""
        self._pieces.append((placed.readings["offset"].copy(), placed.scan, placed.index))

    def moved_along(self, path: ProbePath) -> None:
        """Take no notice of the path."""

    def delay_changed(self) -> None:
        """Take no notice: every reading is kept."""

    def columns(self) -> tuple[Ints, Floats, Floats]:
        """Return byte offsets, scan and index positions, mm, in the order of the offsets."""
        if not self._pieces:
            return np.empty(0, np.int64), np.empty(0), np.empty(0)
        offset, scan, index = (np.concatenate(column) for column in zip(*self._pieces, strict=True))
        order = np.argsort(offset, kind="stable")
        return offset[order], scan[order], index[order]


def judge(world: World) -> Verdict:
    """Run a pipeline over a world and compare."""
    seen = PlacedReadings()
    pipeline = Pipeline(world.station, observer=seen)
    grid, truth = pipeline.grid, world.truth
    cells = grid.state.size
    flat = _flat(world.station.scan_axis, world.station.index_axis, truth.scan, truth.index)
    inside = flat >= 0
    good = truth.reached & truth.echo & inside
    border = _near_border(world.station.scan_axis, truth.scan)
    sure = good & ~border
    first_sure = np.full(cells, np.iinfo(np.int64).max)
    np.minimum.at(first_sure, flat[sure], truth.time[sure])

    claimed = np.zeros(cells, bool)
    held = np.zeros(cells, bool)
    for entry in world.entries[:-1]:
        pipeline.feed(entry)
        if isinstance(entry, Tick):
            now_held = pipeline.coverage.gaps.holds(np.arange(cells))
            claimed |= now_held & ~held & (first_sure < entry.time)
            held = now_held
    pipeline.feed(world.entries[-1])

    in_gap = pipeline.coverage.gaps.holds(np.arange(cells))
    truly, surely = _count(flat[good], cells) > 0, _count(flat[sure], cells) > 0
    without = _count(flat[inside & ~(truth.reached & truth.echo)], cells) > 0
    near = _spread(truly, grid.shape, grid.scan.wrapped)
    state = grid.state
    wrong: dict[str, Bools] = {
        "no_signal": in_gap
        & (state == CellState.NO_SIGNAL)
        & ~_spread(without, grid.shape, grid.scan.wrapped),
        "too_fast": in_gap
        & (state == CellState.SKIPPED)
        # A reading near the border may be in the next cell: the probe may have passed this one.
        & ~_spread(_count(flat[inside & ~border], cells) == 0, grid.shape, grid.scan.wrapped),
    }
    offset, scan, _ = seen.columns()
    errors, signed, moving, unplaced = errors_of(world, offset, scan)
    return Verdict(
        cells=cells,
        truly=int(truly.sum()),
        measured=int(np.count_nonzero(state == CellState.MEASURED)),
        false_gaps=int(np.count_nonzero(in_gap & surely)),
        false_strict=int(np.count_nonzero(in_gap & truly)),
        false_claims=int(np.count_nonzero(claimed)),
        missed_gaps=int(np.count_nonzero(~in_gap & ~near)),
        false_causes=sum(int(one.sum()) for one in wrong.values()),
        causes={name: int(one.sum()) for name, one in wrong.items() if one.any()},
        rms=float(np.sqrt(np.mean(errors[moving] ** 2))) if moving.any() else float("nan"),
        p99=float(np.percentile(np.abs(errors[moving]), 99)) if moving.any() else float("nan"),
        most=float(np.max(np.abs(errors))) if errors.size else float("nan"),
        bias=float(np.mean(signed[moving])) if moving.any() else float("nan"),
        readings=int(truth.offset.size),
        unplaced=unplaced,
        gaps=pipeline.coverage.gaps.open_count,
    )


def _flat(scan: Axis, index: Axis, at_scan: Floats, at_index: Floats) -> Ints:
    """Return the flat cell of each position, -1 outside."""
    column, row = scan.cell(at_scan), index.cell(at_index)
    return np.where((column < 0) | (row < 0), -1, row * scan.cells + column)


def _near_border(axis: Axis, at: Floats) -> Bools:
    within = np.mod(axis.offset(at), 1.0) * axis.resolution
    return np.asarray(np.minimum(within, axis.resolution - within) < BORDER_MM)


def _count(flat: Ints, cells: int) -> Ints:
    return np.bincount(flat, minlength=cells)


def _spread(cells: Bools, shape: tuple[int, int], wrapped: bool) -> Bools:
    """Return cells and those next to them, corners included."""
    grid = cells.reshape(shape)
    padded = np.pad(grid, ((1, 1), (0, 0)))
    padded = np.pad(padded, ((0, 0), (1, 1)), mode="wrap" if wrapped else "constant")
    found = np.zeros(shape, bool)
    for row in range(3):
        for column in range(3):
            found |= padded[row : row + shape[0], column : column + shape[1]]
    return found.reshape(-1)


def errors_of(world: World, offset: Ints, scan: Floats) -> tuple[Floats, Floats, Bools, int]:
    """Return how far from their true positions readings were placed along the scan axis.

    Args:
        world: the truth.
        offset: byte offset of each reading, shape (n,).
        scan: where it was placed, mm, shape (n,).

    Returns:
        the errors, mm, shape (m,); the same with the sign of the motion: ahead or behind; which of
        the readings moved; how many readings that arrived are not among them.
    """
    truth = world.truth
    at = np.searchsorted(truth.offset, offset)
    at = np.minimum(at, max(truth.offset.size - 1, 0))
    matched = truth.offset[at] == offset
    number = truth.sample[at[matched]]
    error = scan[matched] - truth.scan[number]
    axis = world.station.scan_axis
    if axis.wrapped:
        around = axis.cells * axis.resolution
        error = np.mod(error + around / 2, around) - around / 2
    velocity = truth.velocity[number]
    moving = np.abs(velocity) > 0.5 * np.percentile(np.abs(truth.velocity), 90)
    unplaced = truth.offset.size - int(matched.sum())
    return error, np.asarray(error * np.sign(velocity)), np.asarray(moving), unplaced
