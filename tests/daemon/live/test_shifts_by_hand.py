"""Shifts of a simulated hand that slips: what the record claims is true.

``tests/benchmarks/hand.py`` plays 300 of them.
"""

from __future__ import annotations

import pytest

from support.hand.hand import LINES
from support.hand.judge import judge
from support.hand.line_slips import CHANGE_SLIPS
from support.hand.shift import Shift, Slip
from support.hand.slips import KINDS

SHIFTS = [(kind, 1) for kind in KINDS]
SHIFTS += [("several", 0), ("several", 2), ("blocked line", 2), ("blocked line", 3)]
SHIFTS += [("set down elsewhere", 4), ("key forgotten", 5)]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "seed"), SHIFTS)
def test_record_is_true_whatever_the_hand_does(kind: str, seed: int) -> None:
    """No cell holds a reading from another place, and what is missing is in a gap."""
    shift = KINDS[kind](seed)
    verdict = judge(shift.hand, shift.expected)
    assert verdict.is_true, (verdict, verdict.alarms, shift.hand.bench.replies)


def test_judge_finds_a_slip_that_nobody_undoes() -> None:
    """The key is forgotten and nobody notices: no data shows it, and cells hold the line after."""
    shift = Shift(LINES, 1)
    shift.run({1: Slip(change=CHANGE_SLIPS["key forgotten"].change)})
    verdict = judge(shift.hand)
    assert verdict.wrong > 40
    assert not verdict.is_true


def test_judge_finds_an_alarm_that_was_not_raised() -> None:
    """An alarm that had to be raised, and was not, is a false record."""
    shift = Shift(LINES, 2)
    shift.run({})
    assert judge(shift.hand).is_true
    verdict = judge(shift.hand, ("position lost", "slip|standstill"))
    assert verdict.unraised == ("position lost", "slip|standstill")
    assert not verdict.is_true
