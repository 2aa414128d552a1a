"""A position that is given holds for what was read at rest before it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.hand.hand import LINES, Hand
from support.hand.judge import judge
from swathe.journal import Mark, MarkKind


def _set_down(to: float, *, coupled: bool, given: float) -> Hand:
    """Return a hand that scanned to 150 mm, set the probe down elsewhere, and gave a place."""
    hand = Hand(replace(LINES, lines=1), np.random.default_rng(3))
    hand.rest(0.5)
    hand.couple()
    hand.move(150.0)
    hand.rest(0.3)
    hand.carry(to)
    hand.scanner.rolling, hand.scanner.coupled = True, coupled
    hand.rest(1.0)
    assert hand.i_am_at(given), hand.bench.replies
    hand.rest(0.5)
    return hand


def _marks(hand: Hand) -> list[MarkKind]:
    return [entry.kind for entry in hand.bench.journal if isinstance(entry, Mark)][1:]


def test_what_was_read_before_the_place_was_given_is_discarded() -> None:
    """It counted where the probe was lifted; the reply and the list of revisions state it."""
    hand = _set_down(60.0, coupled=True, given=60.0)
    assert _marks(hand) == [MarkKind.DISCARDED, MarkKind.REFERENCED]
    assert "revision 1 discards what was read here before" in hand.bench.replies[-1]
    (revision,) = hand.bench.pipeline.revisions.revisions
    assert revision.because == "read before the position was given, 90 mm away"
    assert hand.bench.pipeline.applied_revisions.readings(1) == pytest.approx(50, abs=6)
    hand.bench.end()
    assert judge(hand).wrong == 0


@pytest.mark.parametrize(
    ("to", "coupled", "given"),
    [(60.0, False, 60.0), (150.0, True, 151.2), (150.0, True, 150.0)],
)
def test_nothing_is_discarded_without_an_echo_or_a_shift(
    to: float, coupled: bool, given: float
) -> None:
    """A reading at rest is in its cell, as far as half a cell goes; without one nothing is false."""
    hand = _set_down(to, coupled=coupled, given=given)
    assert _marks(hand) == [MarkKind.REFERENCED]
    assert "revision" not in hand.bench.replies[-1]


def test_a_turn_round_a_pipe_is_no_shift() -> None:
    """150 mm is the same place on the next turn; 235 mm is 10 mm before 5 mm."""
    hand = Hand(replace(LINES, lines=1, around=True), np.random.default_rng(3))
    hand.rest(0.5)
    hand.couple()
    hand.move(LINES.length + 150.0)
    hand.rest(0.5)
    assert hand.i_am_at(150.0)
    assert _marks(hand) == [MarkKind.REFERENCED]
    hand.move(LINES.length + 235.0)
    hand.rest(0.5)
    assert hand.i_am_at(5.0)
    assert _marks(hand)[1:] == [MarkKind.DISCARDED, MarkKind.REFERENCED]
    assert "10 mm away" in hand.bench.replies[-1]


def test_readings_that_wait_for_their_line_can_be_discarded() -> None:
    """Set down at 60 mm and moved by less than two cells: nothing is in a cell so far."""
    hand = Hand(LINES, np.random.default_rng(5))
    hand.rest(0.5)
    hand.couple()
    hand.move(150.0)
    hand.rest(0.3)
    hand.carry(60.0)
    hand.couple()
    hand.rest(0.5)
    hand.move(64.0)
    hand.rest(0.5)
    assert hand.bench.pipeline.waiting_readings()[0].size > 40
    assert not hand.discard(line=0, scan={"from": 20.0, "to": 40.0}, last=1.2)
    assert not hand.discard(line=1, last=1.2)
    assert hand.discard(last=1.2), hand.bench.replies
    assert "in no cell so far" in hand.bench.replies[-1]
    hand.move(90.0)
    assert hand.bench.pipeline.applied_revisions.readings(1) == pytest.approx(55, abs=8)
    assert hand.bench.pipeline.waiting_readings()[0].size < 5
