"""What an inspector with a hand-moved scanner is told."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.motion_model import area, gap
from swathe.motion import next_by_hand
from swathe.pipeline import GapCause
from swathe.station import Axis

SCAN = Axis(name="scan", start=0, resolution=5, cells=401)
INDEX = Axis(name="index", start=0, resolution=20, cells=11)
GAPS = [
    gap(1, (1240, 1275), (130, 150), GapCause.NO_SIGNAL),
    gap(2, (200, 300), (30, 110)),
    gap(3, (1800, 1900), (-10, 10), GapCause.TOO_FAST),
]


@pytest.mark.parametrize(
    ("at", "words"),
    [
        (
            (1200.0, 81.0),
            "line 7, from 1,240 mm, 35 mm missing; towards higher scan positions; "
            "index 140 mm, 59 mm further; no signal: mind the coupling",
        ),
        (
            (1300.0, 140.0),
            "line 7, from 1,275 mm, 35 mm missing; towards lower scan positions; "
            "index 140 mm, the line you are on; no signal: mind the coupling",
        ),
        (
            (190.0, 200.0),
            "line 5, from 200 mm, 100 mm missing; towards higher scan positions; "
            "index 100 mm, 100 mm back; and 3 more lines next to it",
        ),
        (
            None,
            "line 2, from 200 mm, 100 mm missing; towards higher scan positions; "
            "index 40 mm; and 3 more lines next to it",
        ),
    ],
)
def test_nearest_gap_is_told_in_words(at: tuple[float, float] | None, words: str) -> None:
    """Line, place, length, direction and where the line is from here."""
    step = next_by_hand(GAPS, scan=SCAN, index=INDEX, at=at)
    assert step is not None
    assert step.words == words
    assert (step.away is None) == (at is None)


def test_nothing_missing_is_none() -> None:
    """Without a gap there is nowhere to go."""
    assert next_by_hand([], scan=SCAN, index=INDEX, at=(0, 0)) is None


def test_words_in_inches() -> None:
    """An inspector who works in inches is told inches."""
    step = next_by_hand(GAPS[:1], scan=SCAN, index=INDEX, at=(1200.0, 140.0), unit="in")
    assert step is not None
    assert step.words.startswith("line 7, from 48.82 in, 1.38 in missing")
    assert (step.start, step.end, step.missing, step.away) == (1240, 1275, 35, 40)


def test_line_profile_names_no_index() -> None:
    """A plan without an index axis has one line and no place across."""
    only = Axis(name="index", start=0, resolution=1, cells=1)
    step = next_by_hand([gap(1, (10, 20), (-0.5, 0.5))], scan=SCAN, index=only, at=(0, 0))
    assert step is not None
    assert step.words == "line 0, from 10 mm, 10 mm missing; towards higher scan positions"


def test_way_round_a_pipe_is_the_short_one() -> None:
    """From the last line of a pipe the first one is next door, and told by its own number."""
    over = area(wrapped=True)
    gaps = [gap(1, (10, 20), (355, 375)), gap(2, (10, 20), (245, 255))]
    step = next_by_hand(gaps, scan=over.scan, index=over.index, at=(10.0, 345.0))
    assert step is not None
    assert (step.gap, step.line, step.index, step.further) == (1, 0, 0.0, 1)
    assert "index 0 mm, 15 mm further" in step.words


@given(
    at=st.tuples(st.floats(-50, 2100), st.floats(-50, 250)),
    rows=st.lists(
        st.tuples(st.integers(0, 400), st.integers(0, 10), st.integers(0, 9)), min_size=1
    ),
)
def test_no_other_gap_is_nearer(at: tuple[float, float], rows: list[tuple[int, int, int]]) -> None:
    """No end of any line of any gap is nearer than what is told."""
    gaps = [
        gap(k + 1, SCAN.edges(first, first + longer), INDEX.edges(row, min(row + longer, 10)))
        for k, (first, row, longer) in enumerate(rows)
    ]
    step = next_by_hand(gaps, scan=SCAN, index=INDEX, at=at)
    assert step is not None
    assert step.away is not None
    nearest = min(
        abs(end - at[0]) + abs(20.0 * row - at[1])
        for g in gaps
        for end in g.scan
        for row in range(11)
        if g.index[0] < 20 * row < g.index[1]
    )
    assert step.away == pytest.approx(nearest)
