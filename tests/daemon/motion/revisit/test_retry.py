"""What is tried next, and the truth about why nothing more is."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.motion_model import area, gap
from swathe.motion import (
    KeepOutZone,
    MotionError,
    PassSettings,
    RetryLog,
    RetrySettings,
    RevisitStep,
    Stop,
    next_passes,
)
from swathe.pipeline import GapCause, GapSnapshot

GAPS = [
    gap(1, (300, 340), (15, 25), GapCause.NO_SIGNAL),
    gap(2, (700, 710), (55, 65)),
    gap(3, (900, 950), (85, 95), GapCause.NO_SIGNAL),
]


def ask(
    gaps: list[GapSnapshot],
    book: RetryLog | None = None,
    wanted: RetrySettings | None = None,
    **other: Any,
) -> RevisitStep:
    """Ask what to do next, at the corner of a plate and at 90 % of coverage."""
    parts: dict[str, Any] = {
        "book": book or RetryLog(),
        "area": area(),
        "passes": PassSettings(speed=100),
        "settings": wanted or RetrySettings(),
        "begin": (0.0, 0.0),
        "coverage": 90.0,
    }
    return next_passes(gaps, **{**parts, **other})


def test_open_gaps_are_gone_back_over() -> None:
    """With tries and time left, there is a tour over all of them."""
    step = ask(GAPS)
    assert step.stop is None
    assert step.tour is not None
    assert sorted(step.tour.gaps) == [1, 2, 3]
    assert step.words.startswith("returning to 3 gaps, ")


@pytest.mark.parametrize(
    ("gaps", "other", "stop", "words"),
    [
        (GAPS, {"coverage": 100.0}, Stop.TARGET, "target reached: 100.00 % of 100 %"),
        ([], {}, Stop.NOTHING_MISSING, "nothing is missing that was left behind, at 90.00 %"),
        (GAPS, {"in_doubt": True}, Stop.IN_DOUBT, "a calibration check failed"),
        (
            GAPS,
            {"wanted": RetrySettings(time_budget=100), "elapsed": 99.5},
            Stop.TIME,
            "time budget: no pass over any of 3 gaps fits into what is left of it",
        ),
        (
            GAPS,
            {"wanted": RetrySettings(battery_budget=60), "on_battery": 59.0},
            Stop.BATTERY,
            "battery budget: no pass over any of 3 gaps",
        ),
        (
            GAPS,
            {"wanted": RetrySettings(most_tries=0)},
            Stop.TRIES,
            "tries used up on 3 gaps (1 unvisited, 2 no signal)",
        ),
    ],
)
def test_reason_to_stop_is_told(
    gaps: list[GapSnapshot], other: dict[str, Any], stop: Stop, words: str
) -> None:
    """Each reason to stop has its own name and words."""
    step = ask(gaps, **other)
    assert (step.tour, step.stop) == (None, stop)
    assert step.words.startswith(words)


def test_gap_is_left_with_its_cause_after_so_many_tries() -> None:
    """The third try is the last; each one at a lost echo is slower than the one before."""
    book, speeds = RetryLog(), []
    while (step := ask(GAPS[:1], book)).tour is not None:
        speeds.append(step.tour.passes[0][0].speed)
        book.note_tried(GAPS[:1])
    assert speeds == pytest.approx([100, 60, 36])
    (left,) = step.left
    assert (left.number, left.cause, left.tries, left.why) == (1, GapCause.NO_SIGNAL, 3, Stop.TRIES)
    assert step.words == "tries used up on 1 gap (1 no signal)"


def test_piece_of_a_tried_gap_was_tried_as_often() -> None:
    """A pass that tears a gap in two does not begin its tries anew."""
    book = RetryLog()
    book.note_tried(GAPS[:1])
    piece = gap(9, (320, 330), (15, 25), GapCause.NO_SIGNAL)
    assert book.tries(piece) == 1
    book.note_tried([piece])
    assert (book.tries(piece), book.tries(GAPS[0])) == (2, 1)
    assert book.tries(gap(10, (320, 350), (15, 25))) == 0


def test_tour_is_cut_to_the_time_that_is_left() -> None:
    """Only visits that end within the budget are made; the rest is told."""
    whole = ask(GAPS)
    assert whole.tour is not None
    first = sum(move.seconds for move in whole.tour.moves[0])
    step = ask(GAPS, wanted=RetrySettings(time_budget=first + 10.01), elapsed=10.0)
    assert step.tour is not None
    assert (len(step.tour.passes), step.stop) == (1, Stop.TIME)
    assert step.tour.end == whole.tour.moves[0][-1].end
    assert step.words.endswith("; 2 gaps must wait: time budget")


def test_battery_keeps_the_way_home() -> None:
    """A charge that suffices for the tour but not for the way back does not allow all of it."""
    whole = ask(GAPS, home=(0.0, 0.0))
    assert whole.tour is not None
    enough = whole.tour.seconds + whole.tour.home_seconds[-1]
    assert whole.tour.home_seconds[-1] > 1
    assert (
        ask(GAPS, wanted=RetrySettings(battery_budget=enough + 0.01), home=(0.0, 0.0)).stop is None
    )
    short = ask(GAPS, wanted=RetrySettings(battery_budget=enough - 0.01), home=(0.0, 0.0))
    assert short.stop is Stop.BATTERY


def test_gap_out_of_reach_is_told_apart() -> None:
    """A gap that no pass reaches is left for that, not for its tries."""
    over = area(zones=(KeepOutZone("stub", (290, 350), (0, 100)),), clearance=3)
    step = ask(GAPS[:1], area=over)
    assert (step.stop, step.words) == (Stop.OUT_OF_REACH, "1 gap out of reach (1 no signal)")
    step = ask(GAPS, area=over)
    assert step.tour is not None
    assert [left.number for left in step.left] == [1]


@given(
    most=st.integers(0, 4),
    rows=st.lists(st.integers(0, 10), min_size=1, max_size=8, unique=True),
    heals=st.data(),
)
def test_going_back_always_ends(most: int, rows: list[int], heals: st.DataObject) -> None:
    """However gaps heal or not, no gap is passed more often than asked, and it ends truthfully."""
    open_gaps = [gap(k + 1, (300, 340), (10 * r - 5, 10 * r + 5)) for k, r in enumerate(rows)]
    book, passed = RetryLog(), dict.fromkeys(range(1, len(rows) + 1), 0)
    for _ in range(most * len(rows) + 2):
        step = ask(open_gaps, book, RetrySettings(most_tries=most))
        if step.tour is None:
            break
        tried = [g for g in open_gaps if g.number in step.tour.gaps]
        book.note_tried(tried)
        for number in step.tour.gaps:
            passed[number] += 1
        open_gaps = [g for g in open_gaps if not heals.draw(st.booleans())]
    assert step.tour is None
    assert max(passed.values()) <= most
    assert step.stop is (Stop.TRIES if open_gaps else Stop.NOTHING_MISSING)
    assert {left.number for left in step.left} == {g.number for g in open_gaps}


def test_impossible_retry_settings_are_refused() -> None:
    """A target beyond everything is told."""
    with pytest.raises(MotionError, match="the target > 0 % and <= 100 %"):
        RetrySettings(target=101)
