"""A shift: the lines of a plan one after the other, with slips on the way, and what is missing after.

The inspector knows the true places from a tape on the wall, and Swathe's state from its board.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from support.hand.hand import OVERRUN_MM, Hand, Plan
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.motion import HandStep
from swathe.pipeline import CellState

__all__ = [
    "Action",
    "Shift",
    "Slip",
    "change_line",
    "end_of_line",
    "find_position",
    "go_to_line",
    "scan_line",
    "start_of_line",
]

Action = Callable[[Hand, int], None]
"""Scans a line, or goes to one; arguments are the hand and the line."""

_MOST_STEPS: Final = 30
_RUN_IN_CELLS: Final = 5


@dataclass(frozen=True, kw_only=True)
class Slip:
    """A slip on a line.

    Attributes:
        line: scans the line with the slip, from its start; None for as usual.
        change: goes to the line with the slip; None for as usual.
        expected: kinds of alarms that it must raise; of kinds joined by ``|`` one.
    """

    line: Action | None = None
    change: Action | None = None
    expected: tuple[str, ...] = ()


class Shift:
    """Scans a plan line by line, with slips, then what is missing.

    Args:
        plan: the plan.
        seed: of chance.

    Attributes:
        hand: that scans.
        expected: kinds of alarms that must have been raised; see `Slip`.
    """

    def __init__(self, plan: Plan, *seed: int) -> None:
        self.hand = Hand(plan, np.random.default_rng([*seed]))
        self.expected: tuple[str, ...] = ()

    def run(self, slips: Mapping[int, Slip]) -> None:
        """Scan all lines, some of them with a slip, then what is missing, and end the run."""
        hand = self.hand
        hand.rest(1.0)
        for row in range(hand.plan.lines):
            slip = slips.get(row, Slip())
            if row:
                (slip.change or change_line)(hand, row)
            hand.line_from = hand.scanner.scan
            hand.line_to = end_of_line(hand)
            (slip.line or scan_line)(hand, row)
            self.expected += slip.expected
        self.finish()

    def finish(self) -> None:
        """Scan what is missing, as the board gives it, and end the run."""
        hand = self.hand
        hand.lift()
        hand.think()
        for row, (low, high) in hand.blocked.items():
            if hand.rng.random() < 0.5:
                half = hand.plan.step / 2 - 1.0
                index = row * hand.plan.step
                hand.exclude(f"lug {row}", (low, high), (index - half, index + half))
        for _ in range(_MOST_STEPS):
            find_position(hand)
            if hand.bench.pipeline.target_reached or not _scan_next(hand):
                break
        hand.lift()
        hand.rest(1.0)
        hand.bench.end()


def start_of_line(hand: Hand) -> float:
    """Return where a line is begun, mm: at its start or a little before it."""
    before = float(hand.rng.uniform(0.0, OVERRUN_MM))
    return 0.0 if hand.rng.random() < 0.4 else -before


def end_of_line(hand: Hand) -> float:
    """Return where a line ends, mm: a little after its end."""
    over = float(hand.rng.uniform(2.0, OVERRUN_MM))
    begin = hand.line_from if hand.plan.around else 0.0
    return begin + hand.plan.length + over


def scan_line(hand: Hand, _row: int) -> None:
    """Scan a line from where the probe is."""
    hand.couple()
    hand.tremble(float(hand.rng.uniform(0.1, 1.0)))
    hand.stroke(hand.line_to)
    hand.tremble(float(hand.rng.uniform(0.1, 0.8)))


def change_line(hand: Hand, row: int) -> None:
    """Return in the air and go to the next line; the key comes before, meanwhile, or after.

    Round a pipe there is no return.
    """
    key = int(hand.rng.integers(0, 3))
    hand.scanner.coupled = False
    if key == 0:
        hand.think()
        hand.next_line()
    if not hand.plan.around:
        hand.roll(start_of_line(hand))
    if key == 1:
        hand.think()
        hand.next_line()
    hand.shift(row)
    if key == 2:
        hand.think()
        hand.next_line()


def go_to_line(hand: Hand, row: int) -> None:
    """Go to any line, and set it."""
    hand.scanner.coupled = False
    if round(hand.scanner.row) != row:
        hand.shift(row)
    if hand.bench.pipeline.line != row:
        hand.think(0.6)
        hand.line(row)


def find_position(hand: Hand) -> None:
    """Put the probe at a mark of the tape and give its place, where the position is lost."""
    for _ in range(4):
        if "scan" not in hand.bench.pipeline.lost_axes:
            return
        mark = 60.0 * int(hand.rng.integers(0, 1 + int(hand.plan.length // 60)))
        turns = 0.0
        if hand.plan.around:
            turns = hand.plan.length * np.floor(hand.scanner.scan / hand.plan.length)
        hand.carry(mark + turns)
        hand.scanner.rolling = True
        hand.think()
        hand.rest(0.3)
        hand.i_am_at(hand.on_tape)
        hand.rest(0.3)


def _scan_next(hand: Hand) -> bool:
    """Scan the next stretch that is missing and within reach; return whether there was one."""
    bench, plan = hand.bench, hand.plan
    step = step_by_hand(bench.pipeline, bench.pipeline.position)
    found: tuple[int, float, float] | None = None
    if step.kind != "done":
        _check_advice(hand, step)
        low, high = min(step.start, step.end), max(step.start, step.end)
        if plan.around and step.rising is (step.end < step.start):
            low, high = high, low + plan.length  # over the seam
        found = step.line, low, high
    if found is None or _is_blocked(hand, found[0], (found[1] + found[2]) / 2):
        found = _first_missing(hand)
    if found is None:
        return False
    row, low, high = found
    go_to_line(hand, row)
    margin = _RUN_IN_CELLS * plan.cell
    begin, end = low - margin, high + margin
    if plan.around:
        turns = plan.length * round((hand.scanner.scan - begin) / plan.length)
        begin, end = begin + turns, end + turns
    else:
        begin, end = max(begin, -OVERRUN_MM), min(end, plan.length + OVERRUN_MM)
        if row in hand.blocked:
            free = hand.blocked[row]
            begin = max(begin, free[1]) if free[0] < 0 else begin
            end = end if free[0] < 0 else min(end, free[0])
    hand.roll(begin)
    hand.couple()
    hand.tremble(0.3)
    hand.move(end)
    hand.rest(0.3)
    hand.scanner.coupled = False
    hand.rest(0.5)
    return True


def _is_blocked(hand: Hand, row: int, scan: float) -> bool:
    low, high = hand.blocked.get(row, (0.0, 0.0))
    return low < scan < high


def _check_advice(hand: Hand, step: HandStep) -> None:
    """Note what is wrong about the board's advice: places out of reach, the long way round."""
    plan = hand.plan
    words = words_by_hand(hand.bench.pipeline, step)
    across = plan.step * (plan.lines - 1)
    if step.away is not None:
        most = (plan.length / 2 if plan.around else plan.length + 4 * OVERRUN_MM) + across
        if step.away > most + plan.cell:
            hand.faults.append(f"{step.away:.0f} mm away, {most:.0f} mm at the most: {words}")
    if not all(-plan.cell <= end <= plan.length + plan.cell for end in (step.start, step.end)):
        hand.faults.append(f"out of reach: {words}")


def _first_missing(hand: Hand) -> tuple[int, float, float] | None:
    """Return the first stretch of a line that is not measured: row, low and high end in mm."""
    grid = hand.bench.pipeline.grid
    missing = (grid.state < CellState.MEASURED).reshape(grid.shape)
    for blocked, (low, high) in hand.blocked.items():
        missing[blocked] &= (grid.scan.centres < low) | (grid.scan.centres > high)
    rows = np.flatnonzero(missing.any(axis=1))
    if not rows.size:
        return None
    row = int(rows[0])
    columns = np.flatnonzero(missing[row])
    last = int(columns[np.append(np.diff(columns) > 1, True)][0])
    return row, float(grid.scan.centres[columns[0]]), float(grid.scan.centres[last])
