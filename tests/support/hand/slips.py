"""The slips of a hand, each as a shift that makes it at a place of chance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from support.hand.hand import LINES, Hand, Plan
from support.hand.line_slips import (
    CHANGE_SLIPS,
    both_ways,
    line_by_return,
    play_blocked_line,
)
from support.hand.shift import Shift, Slip, find_position, scan_line

__all__ = ["KINDS", "Play"]

Play = Callable[[int], Shift]
"""Plays a shift from a seed."""

_PLANS: Final = (
    LINES,
    Plan(length=500.0, lines=1, clock=False),
    Plan(length=240.0, lines=3, around=True),
    Plan(clock=False),
)


def _stroke_to_place(hand: Hand, margin: float = 60.0) -> None:
    """Begin a line and scan to a place of chance on it, `margin` mm from its ends."""
    hand.couple()
    hand.tremble(0.5)
    hand.stroke(float(hand.rng.uniform(hand.line_from + margin, hand.line_to - margin)))


def _await(hand: Hand, *kinds: str, most: float = 8.0) -> None:
    """Hold still until an alarm of some kinds is raised, and a moment more."""
    end = hand.bench.now + most
    while hand.bench.now < end and not hand.bench.raised(*kinds):
        hand.rest(0.25)
    hand.think()


def _finish_line(hand: Hand, row: int) -> None:
    if hand.scanner.scan < hand.line_to - 1.0:
        scan_line(hand, row)


def _encoder_restarts(hand: Hand, row: int) -> None:
    """The encoder unit is off and on at a place, and its counter begins at 0."""
    _stroke_to_place(hand)
    with_port = hand.rng.random() < 0.5
    hand.scanner.switch_encoder(on=False)
    if with_port:
        hand.rest(float(hand.rng.uniform(0.0, 0.3)))
        hand.bench.port("encoder", "lost", "unplugged")
    if hand.rng.random() < 0.5:
        hand.move(hand.scanner.scan + 30.0)
    hand.rest(float(hand.rng.uniform(0.3, 3.0)))
    if with_port:
        hand.bench.port("encoder", "open")
        hand.rest(0.05)
    hand.scanner.switch_encoder(on=True)
    if hand.rng.random() < 0.5:
        _await(hand, "position lost")
    else:
        _finish_line(hand, row)  # not noticed until the line ends
    find_position(hand)
    _finish_line(hand, row)


def _carry_away(hand: Hand, furthest: float) -> None:
    """Lift the scanner on a line and set its wheel down elsewhere on it."""
    _stroke_to_place(hand, 90.0)
    hand.rest(0.3)
    away = float(hand.rng.choice([-1, 1]) * hand.rng.uniform(10.0, furthest))
    hand.carry(round(hand.scanner.scan + away))


def _set_down_elsewhere(hand: Hand, row: int) -> None:
    """The scanner is set down elsewhere, and its place is given before it moves on."""
    _carry_away(hand, 80.0)
    if hand.rng.random() < 0.5:
        hand.couple()  # it has an echo before the place is given
    else:
        hand.scanner.rolling = True
    hand.think()
    hand.rest(0.3)
    hand.i_am_at(hand.on_tape)
    hand.think(0.5)
    scan_line(hand, row)


def _noticed_late(hand: Hand, row: int) -> None:
    """The scanner is set down elsewhere and moved on; then the place is given, the rest discarded."""
    lifted = hand.bench.now
    _carry_away(hand, 60.0)
    # Since some moment in the air: nothing was read there.
    lifted = hand.bench.now - 0.2
    hand.couple()
    hand.think()
    hand.move(hand.scanner.scan + float(hand.rng.uniform(5.0, 30.0)))
    hand.think()
    place_first = hand.rng.random() < 0.5
    if place_first:
        hand.rest(0.3)
        hand.i_am_at(hand.on_tape)
        hand.think()
    hand.discard(last=hand.bench.now - lifted)
    if not place_first:
        hand.rest(0.3)
        hand.i_am_at(hand.on_tape)
    scan_line(hand, row)


def _too_fast(hand: Hand, row: int) -> None:
    """A part of a line is scanned too fast; returns are in the air, and faster."""
    hand.couple()
    hand.tremble(0.5)
    hand.stroke(hand.line_from + float(hand.rng.uniform(5.0, 30.0)))
    hand.move(hand.line_to - 20.0, speed=(220.0, 300.0))
    scan_line(hand, row)


def _gauge_dies(hand: Hand, row: int) -> None:
    """The gauge's battery is dead until somebody changes it."""
    _stroke_to_place(hand)
    hand.scanner.gauge = "dead"
    hand.stroke(hand.scanner.scan + 30.0)
    _await(hand, "device silent")
    hand.rest(2.0)
    hand.scanner.gauge = "good"
    scan_line(hand, row)


def _gauge_without_echo(hand: Hand, row: int) -> None:
    """The gauge sends readings without an echo, wherever it is."""
    _stroke_to_place(hand)
    hand.scanner.gauge = "echoless"
    hand.stroke(hand.scanner.scan + 30.0)
    _await(hand, "no echo", "coupling lost")
    hand.scanner.gauge = "good"
    scan_line(hand, row)


def _gauge_freezes(hand: Hand, row: int) -> None:
    """The gauge repeats its last value; what it read since is discarded."""
    hand.couple()
    hand.rest(8.0)
    _stroke_to_place(hand, 90.0)
    hand.rest(0.5)
    frozen = hand.bench.now
    hand.scanner.gauge = "frozen"
    hand.stroke(hand.scanner.scan + 60.0)
    _await(hand, "values held")
    hand.scanner.gauge = "good"
    hand.think()
    hand.discard(last=hand.bench.now - frozen + 0.2)
    _finish_line(hand, row)


def _burst(hand: Hand, row: int) -> None:
    """A burst of wrong thin readings is discarded, once after the wrong stretch was."""
    _stroke_to_place(hand)
    begun, place = hand.bench.now, hand.on_tape
    hand.note(f"burst on line {row}")
    hand.scanner.gauge = "burst"
    hand.move(hand.scanner.scan + float(hand.rng.uniform(1.0, 12.0)))
    hand.scanner.gauge = "good"
    if hand.rng.random() < 0.5:
        scan_line(hand, row)
    hand.think()
    kind = int(hand.rng.integers(0, 4))
    if kind == 0 and not hand.plan.around:
        hand.discard(scan={"from": place - 3.0, "to": place + 15.0}, line=row)
    elif kind == 1:
        hand.discard(last=hand.bench.now - begun)
    elif kind == 2:
        hand.discard(begin=f"burst on line {row}")
    else:
        if hand.discard(last=1.0):
            hand.think()
            hand.restore(len(hand.bench.pipeline.revisions.revisions))
        hand.discard(line=row)
    _finish_line(hand, row)


def _leave_seam(hand: Hand, row: int) -> None:
    """A turn round a pipe leaves a gap over its seam."""
    hand.couple()
    hand.tremble(0.3)
    seam = hand.plan.length * round(hand.line_to / hand.plan.length)
    before, after = (float(one) for one in hand.rng.uniform(10.0, 50.0, 2))
    if hand.scanner.scan < seam - before:
        hand.stroke(seam - before)
    hand.lift()
    hand.rest(0.2)
    hand.roll(seam + after)
    hand.line_to = seam + hand.plan.length - 60.0
    _finish_line(hand, row)


_LINE_SLIPS: Final[dict[str, Slip]] = {
    "encoder off and on": Slip(line=_encoder_restarts, expected=("position lost",)),
    "set down elsewhere": Slip(line=_set_down_elsewhere),
    "noticed late": Slip(line=_noticed_late),
    "too fast": Slip(line=_too_fast, expected=("too fast",)),
    "gauge dead": Slip(line=_gauge_dies, expected=("device silent",)),
    "gauge without echo": Slip(line=_gauge_without_echo, expected=("no echo|coupling lost",)),
    "gauge frozen": Slip(line=_gauge_freezes, expected=("values held",)),
    "burst of thin readings": Slip(line=_burst, expected=("below alert",)),
}


def _on_a_line(name: str, slip: Slip) -> Play:
    def play(seed: int) -> Shift:
        plan = _PLANS[seed % len(_PLANS)]
        shift = Shift(plan, seed, *name.encode())
        shift.run({int(shift.hand.rng.integers(0, plan.lines)): slip})
        return shift

    return play


def _between_lines(name: str, slip: Slip) -> Play:
    def play(seed: int) -> Shift:
        shift = Shift(LINES, seed, *name.encode())
        # Not on the last line: a key pressed twice, or a line too far, needs one behind it.
        shift.run({int(shift.hand.rng.integers(1, LINES.lines - 1)): slip})
        return shift

    return play


def _no_slip(seed: int) -> Shift:
    """All goes well."""
    shift = Shift(_PLANS[seed % len(_PLANS)], seed)
    shift.run({})
    return shift


def _gap_over_seam(seed: int) -> Shift:
    """One turn of three leaves a gap over the seam."""
    plan = Plan(length=float(240 + 6 * (seed % 30)), lines=3, around=True)
    shift = Shift(plan, seed, 1)
    shift.run({int(shift.hand.rng.integers(0, 3)): Slip(line=_leave_seam)})
    return shift


def _several(seed: int) -> Shift:
    """Two slips on lines, and one between two lines."""
    shift = Shift(LINES, seed, 2)
    rng = shift.hand.rng
    names = [str(name) for name in rng.choice(list(_LINE_SLIPS), 2, replace=False)]
    between = str(rng.choice(list(CHANGE_SLIPS)))
    first, second, third = rng.permutation(3).tolist() if rng.random() < 0.5 else (0, 2, 1)
    slips = {first: _LINE_SLIPS[names[0]], second: _LINE_SLIPS[names[1]]}
    slips[third or 1] = CHANGE_SLIPS[between]
    shift.run(slips)
    return shift


KINDS: Final[dict[str, Play]] = {
    "no slip": _no_slip,
    **{name: _on_a_line(name, slip) for name, slip in _LINE_SLIPS.items()},
    **{name: _between_lines(name, slip) for name, slip in CHANGE_SLIPS.items()},
    "line by return": line_by_return,
    "both ways": both_ways,
    "blocked line": play_blocked_line,
    "gap over a seam": _gap_over_seam,
    "several": _several,
}
"""Kinds of shifts by name."""
