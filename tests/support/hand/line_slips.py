"""Slips at a change of the line: keys forgotten or pressed twice, wrong lines, blocked lines."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from support.hand.hand import LINES, Advance, Hand
from support.hand.shift import Shift, Slip, end_of_line, go_to_line, scan_line, start_of_line

__all__ = ["CHANGE_SLIPS", "both_ways", "line_by_return", "play_blocked_line"]


def _return(hand: Hand, row: int) -> None:
    """Return in the air and shift to a line, without a key."""
    hand.scanner.coupled = False
    hand.think()
    hand.roll(start_of_line(hand))
    hand.shift(row)


def _scan_part(hand: Hand, row: int) -> bool:
    """Scan a line, or a part of it; return whether it was all."""
    if hand.rng.random() < 0.5:
        scan_line(hand, row)
        return True
    hand.couple()
    hand.tremble(0.3)
    hand.stroke(float(hand.rng.uniform(30.0, hand.plan.length - 60.0)))
    return False


def _forget_key(hand: Hand, row: int) -> None:
    hand.scanner.coupled = False
    hand.rest(0.3)
    hand.stepped_at = hand.bench.now
    _return(hand, row)


def _notice_forgotten(hand: Hand, row: int) -> None:
    """The key of the line was forgotten, and that is noticed on it."""
    whole = _scan_part(hand, row)
    hand.think()
    if hand.rng.random() < 0.5:
        hand.next_line()
        hand.think(0.5)
    since = hand.bench.now - hand.stepped_at
    if hand.rng.random() < 0.5:
        hand.move_to(row, last=since)
    else:
        hand.discard(last=since)
    hand.think(0.5)
    _look_at_line(hand, row)
    if not whole:
        scan_line(hand, row)


def _press_twice(hand: Hand, row: int) -> None:
    _return(hand, row)
    hand.next_line()
    hand.rest(0.2)
    hand.next_line()


def _notice_twice(hand: Hand, row: int) -> None:
    """The key was pressed twice; what was read is moved to its line, or discarded."""
    whole = _scan_part(hand, row)
    hand.think()
    if hand.rng.random() < 0.5:
        hand.previous_line()
        hand.think(0.5)
        _undo(hand, row + 1, row)
    else:
        _undo(hand, row + 1, row)
    hand.think(0.5)
    _look_at_line(hand, row)
    if not whole:
        scan_line(hand, row)


def _go_too_far(hand: Hand, row: int) -> None:
    _return(hand, row + 1)
    hand.next_line()


def _notice_wrong_line(hand: Hand, row: int) -> None:
    """The scanner was on the line after the right one; it goes back, and all is put right."""
    _scan_part(hand, row)
    hand.scanner.coupled = False
    hand.think()
    _undo(hand, row, row + 1)
    hand.roll(start_of_line(hand))
    go_to_line(hand, row)
    scan_line(hand, row)


def _undo(hand: Hand, line: int, right: int) -> None:
    """Move what a line has to the right one, or discard it."""
    if hand.rng.random() < 0.5:
        hand.move_to(right, line=line)
    else:
        hand.discard(line=line)


def _step_coupled(hand: Hand, row: int) -> None:
    """The scanner is shifted to the line while it has an echo, before or after the key."""
    hand.scanner.coupled = False
    hand.roll(0.0)
    hand.couple()
    hand.tremble(float(hand.rng.uniform(0.1, 1.0)))
    before = hand.rng.random() < 0.5
    if before:
        hand.next_line()
        hand.think()
    hand.shift(row)
    if not before:
        hand.think()
        hand.next_line()


CHANGE_SLIPS: Final[dict[str, Slip]] = {
    "key forgotten": Slip(change=_forget_key, line=_notice_forgotten),
    "key twice": Slip(change=_press_twice, line=_notice_twice),
    "wrong line": Slip(change=_go_too_far, line=_notice_wrong_line),
    "steps while coupled": Slip(change=_step_coupled),
}
"""Slips at the change to a line that is neither the first nor the last one."""


def line_by_return(seed: int) -> Shift:
    """Play a shift in which no key is pressed: the return to the start begins the next line."""
    shift = Shift(replace(LINES, advance="return"), seed, 3)
    _one_way(shift)
    return shift


def _one_way(shift: Shift, blocked: int | None = None) -> None:
    """Scan lines one way, each after a return in the air; one of them is blocked on its way."""
    hand = shift.hand
    hand.rest(1.0)
    for row in range(hand.plan.lines):
        if row:
            _return(hand, row)
            hand.think()
            if blocked is not None:
                _look_at_line(hand, row)
        hand.line_to = end_of_line(hand)
        if row == blocked:
            _meet_obstacle(hand, row)
        else:
            scan_line(hand, row)
    shift.finish()


def both_ways(seed: int) -> Shift:
    """Play a shift in which lines are scanned both ways: either end begins the next one."""
    shift = Shift(replace(LINES, advance="either end"), seed, 4)
    _both_ways(shift)
    return shift


def _both_ways(shift: Shift, blocked: int | None = None) -> None:
    """Scan lines to and fro; one of them is blocked on its way, and the next one begins there."""
    hand = shift.hand
    hand.rest(1.0)
    for row in range(hand.plan.lines):
        if row:
            if hand.rng.random() < 0.5:
                hand.scanner.coupled = False
            hand.shift(row)
            hand.think()
            if blocked is not None:
                _look_at_line(hand, row)
        rises = hand.scanner.scan < hand.plan.length / 2
        hand.line_to = end_of_line(hand) if rises else hand.plan.length - end_of_line(hand)
        if row == blocked:
            ends = hand.scanner.scan, hand.line_to
            _meet_obstacle(hand, row)
            hand.roll(ends[int(hand.rng.integers(0, 2))])  # back, or past it
        else:
            scan_line(hand, row)
    shift.finish()


def _meet_obstacle(hand: Hand, row: int) -> None:
    """Scan a line as far as an obstacle, and press the key, or return as from a whole line."""
    hand.couple()
    hand.tremble(0.3)
    place = float(hand.rng.uniform(0.2, 0.8)) * hand.plan.length
    hand.blocked[row] = (place, hand.line_to) if hand.line_to > place else (hand.line_to, place)
    hand.stroke(place)
    hand.scanner.coupled = False
    hand.think()
    if hand.rng.random() < 0.6:
        hand.block_line()


def _look_at_line(hand: Hand, row: int) -> None:
    """Look which line the board shows, and set it where that is another one."""
    if hand.bench.pipeline.line != row:
        hand.corrected += 1
        hand.line(row)
        hand.think()


def play_blocked_line(seed: int) -> Shift:
    """Play a shift in which an obstacle ends a line early.

    What is behind it is excluded by name, or stays missing.
    """
    advances: tuple[Advance, ...] = ("command", "return", "either end")
    shift = Shift(replace(LINES, advance=advances[seed % 3]), seed, 5)
    blocked = int(shift.hand.rng.integers(0, LINES.lines))
    if shift.hand.plan.advance == "either end":
        _both_ways(shift, blocked)
    else:
        _one_way(shift, blocked)
    return shift
