"""The judge of a shift: what cells, gaps and alarms claim, compared with the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from support.hand.bench import Bench, SeenReadings, Shown, replay
from support.hand.hand import Hand
from swathe.pipeline import CellState

__all__ = ["Verdict", "judge"]

Bools = NDArray[np.bool_]

TOLERANCE_MM: Final = 0.6
"""How far outside a cell a reading may truly be that counts for it: clock, count and motion."""

_ROW_TOLERANCE: Final = 0.02


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is false in the record of a shift.

    Attributes:
        wrong: cells that hold a reading from another place.
        unfounded: cells shown as measured without any reading that was taken in them.
        unreported: required cells that are neither measured nor in a gap when the run ended.
        missing: required cells that are not measured at the end, and are in a gap.
        cells: required cells.
        claimed_complete: whether the survey says that it is complete.
        differs: whether a replay of the journal gives other arrays than the run had.
        in_air: alarms that the probe is too fast while it was not coupled.
        unraised: kinds of which one was expected and none raised.
        faults: what the board's advice had wrong.
        alarms: all of the shift.
    """

    wrong: int
    unfounded: int
    unreported: int
    missing: int
    cells: int
    claimed_complete: bool
    differs: bool
    in_air: int
    unraised: tuple[str, ...]
    faults: tuple[str, ...]
    alarms: list[Shown] = field(repr=False)

    @property
    def is_true(self) -> bool:
        """Whether nothing in the record is false."""
        return not (
            self.wrong
            or self.unfounded
            or self.unreported
            or self.differs
            or self.in_air
            or self.unraised
            or self.faults
            or (self.claimed_complete and self.missing)
        )


def judge(hand: Hand, expected: tuple[str, ...] = ()) -> Verdict:
    """Compare the record of a shift that has ended with the truth.

    Args:
        hand: whose shift it was.
        expected: kinds of alarms that the shift's slips must have raised; of kinds joined by ``|``
            one.
    """
    bench = hand.bench
    again, seen = replay(bench.station, bench.journal)
    grid = again.grid
    wrong, truly = _cells(hand, seen, grid.hits)
    measured = grid.state == CellState.MEASURED
    required = grid.state != CellState.EXCLUDED
    missing = required & ~measured
    in_gap = again.coverage.gaps.holds(np.arange(grid.state.size))
    alarms = bench.alarms()
    kinds = {alarm.kind for alarm in alarms}
    return Verdict(
        wrong=int(np.count_nonzero(wrong)),
        unfounded=int(np.count_nonzero(measured & ~truly)),
        unreported=int(np.count_nonzero(missing & ~in_gap)),
        missing=int(np.count_nonzero(missing)),
        cells=int(np.count_nonzero(required)),
        claimed_complete=again.status == "complete",
        differs=_differs(bench, again.grid.state, again.grid.hits, again.grid.thickness),
        in_air=_too_fast_in_air(hand, alarms),
        unraised=tuple(one for one in expected if not kinds & set(one.split("|"))),
        faults=tuple(hand.faults),
        alarms=alarms,
    )


def _cells(hand: Hand, seen: SeenReadings, hits: NDArray[np.uint32]) -> tuple[Bools, Bools]:
    """Return which cells hold a reading of another place, and which hold one of their own."""
    grid, truth = hand.bench.pipeline.grid, hand.scanner.truth()
    thickness, scan, index = seen.columns()
    cells = grid.cells_at(scan, index)
    thickness, cells = thickness[cells >= 0], cells[cells >= 0]
    counted = np.bincount(cells, minlength=grid.state.size)
    if (counted != hits).any():
        message = f"{np.count_nonzero(counted != hits)} cells have other readings than were placed"
        raise AssertionError(message)
    number = truth.taken(thickness)
    row, column = np.divmod(cells, grid.shape[1])
    away = np.abs(truth.scan[number] - grid.scan.centres[column])
    if grid.scan.wrapped:
        around = grid.scan.cells * grid.scan.resolution
        away = np.mod(away, around)
        away = np.minimum(away, around - away)
    own = (number >= 0) & (away <= grid.scan.resolution / 2 + TOLERANCE_MM)
    own &= np.abs(truth.row[number] - row) <= _ROW_TOLERANCE
    return (
        np.bincount(cells[~own], minlength=grid.state.size) > 0,
        np.bincount(cells[own], minlength=grid.state.size) > 0,
    )


def _differs(bench: Bench, *arrays: NDArray[np.generic]) -> bool:
    live = bench.pipeline.grid
    pairs = zip((live.state, live.hits, live.thickness), arrays, strict=True)
    return any(not np.array_equal(np.asarray(one), other) for one, other in pairs)


def _too_fast_in_air(hand: Hand, alarms: list[Shown]) -> int:
    """Return how many alarms of a too fast probe no coupled motion explains."""
    truth = hand.scanner.truth()
    most = hand.plan.cell / 0.02
    fast = truth.time[truth.valid & (np.abs(truth.speed) > 0.8 * most)]
    return sum(
        alarm.kind == "too fast"
        and not ((fast > alarm.since - 1.5) & (fast < alarm.since + 0.5)).any()
        for alarm in alarms
    )
