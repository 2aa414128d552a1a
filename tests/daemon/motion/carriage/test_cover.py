"""Passes over lines: every line that can be reached is covered, and in the fewest passes there are."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.motion.carriage.cover import Cover, cover_lines

FREE = (-np.inf, np.inf)


def fewest_by_trying(
    lines: list[float], offsets: list[float], off: float, allowed: tuple[float, float], turn: float
) -> tuple[int, set[int]]:
    """Return the fewest passes and what they reach, by trying all sets of positions; no planner's code.

    What a pass covers changes only where a probe comes to the border of a line's surroundings.
    """
    borders = [
        line - offset + side * off for line in lines for offset in offsets for side in (-1, 1)
    ]
    ends = [end for end in allowed if abs(end) < 1e9]
    seen: set[frozenset[int]] = set()
    for at in borders + ends:
        if not allowed[0] - 1e-9 <= at <= allowed[1] + 1e-9:
            continue
        covered = set()
        for number, line in enumerate(lines):
            for offset in offsets:
                way = at + offset - line
                way -= round(way / turn) * turn if turn else 0.0
                if abs(way) <= off + 1e-7:
                    covered.add(number)
        seen.add(frozenset(covered))
    reached = set().union(*seen) if seen else set()
    best = [one for one in seen if one and not any(one < other for other in seen)]
    for count in range(len(lines) + 1):
        if any(set().union(*some) == reached for some in combinations(best, count)):
            return count, reached
    raise AssertionError


def covered(cover: Cover) -> set[int]:
    """Return the lines that passes cover."""
    return {line for one in cover.passes for line, _ in one.lines}


@given(
    count=st.integers(1, 8),
    offsets=st.lists(
        st.sampled_from((-3.0, 0.0, 1.0, 2.0, 2.7, 4.0, 5.3, 6.0)), min_size=1, max_size=4
    ),
    off=st.sampled_from((0.2, 0.5, 0.8)),
    room=st.sampled_from((FREE, (-2.5, 9.0), (0.3, 30.0), (4.0, 5.0))),
    round_a_pipe=st.booleans(),
)
def test_number_of_passes_is_the_fewest_by_trying_all(
    count: int, offsets: list[float], off: float, room: tuple[float, float], round_a_pipe: bool
) -> None:
    """Uneven pitches, two probes at one place, ends of travel and circumferences among them."""
    lines = [2.0 * k for k in range(count)]
    turn = 2.0 * count if round_a_pipe and count > 2 else 0.0
    room = FREE if turn else room
    cover = cover_lines(
        np.array(lines), np.array(offsets), off_centre=off, allowed=room, period=turn or None
    )
    assert (len(cover.passes), covered(cover)) == fewest_by_trying(lines, offsets, off, room, turn)
    assert cover.fewest
    assert set(cover.unreached) == set(range(count)) - covered(cover)
    for one in cover.passes:
        assert room[0] - 1e-6 <= one.at <= room[1] + 1e-6
        for line, probe in one.lines:
            way = one.at + offsets[probe] - lines[line]
            way -= round(way / turn) * turn if turn else 0.0
            assert abs(way) <= off + 1e-6


@pytest.mark.parametrize(
    ("offsets", "lines", "passes"),
    [
        (np.arange(4.0), 31, 8),  # as dense as the lines: steps of its width
        (np.arange(16.0), 1000, 63),
        (np.arange(4.0) * 3, 24, 6),  # three lines apart: three passes next to each other, then on
        (np.arange(16.0) * 4, 1000, 64),  # each of four remainders has 250 lines: 16 passes each
        (np.array([0.0]), 7, 7),
        # The last of five is dead: four in a row, and steps of four.
        (np.delete(np.arange(5.0), 4), 20, 5),
        # A dead one in the middle: its line is covered by the next pass, five lines further on.
        (np.delete(np.arange(16.0), 5), 42, 4),
    ],
)
def test_dense_arrays_step_by_their_width_and_sparse_ones_interleave(
    offsets: Any, lines: int, passes: int
) -> None:
    """The number of passes is that of the geometry, and is known to be the fewest."""
    cover = cover_lines(np.arange(float(lines)), offsets, off_centre=0.4)
    assert (len(cover.passes), cover.fewest) == (passes, True)
    assert covered(cover) == set(range(lines))


def test_passes_overlap_as_much_as_asked() -> None:
    """Four probes a line apart with a line in common: steps of three lines."""
    cover = cover_lines(np.arange(13.0), np.arange(4.0), off_centre=0.4, overlap=1.0)
    assert [one.at for one in cover.passes] == [0.0, 3.0, 6.0, 9.0]
    round_it = cover_lines(
        np.arange(12.0), np.arange(4.0), off_centre=0.4, overlap=1.0, period=12.0
    )
    assert len(round_it.passes) == 4


def test_probes_are_near_the_middle_of_their_lines() -> None:
    """Of positions that cover the same, that with the smallest largest distance is taken."""
    cover = cover_lines(np.arange(3.0), np.array([0.0, 1.2, 2.0]), off_centre=0.4)
    assert [one.at for one in cover.passes] == [pytest.approx(-0.1)]


def test_stepped_axis_has_its_positions_only() -> None:
    """The datum is on a row where the axis is stepped, though another place would cover more."""
    rows = np.arange(6.0)
    cover = cover_lines(rows, np.array([-0.5, 0.5]), off_centre=0.4, places=rows)
    assert cover.unreached == (0, 1, 2, 3, 4, 5)
    cover = cover_lines(rows, np.array([-2.0, 1.0]), off_centre=0.4, places=rows)
    assert covered(cover) == {0, 1, 2, 3, 4, 5}
    assert all(one.at in rows for one in cover.passes)


def test_positions_that_cannot_be_driven_are_not_planned() -> None:
    """Where a zone takes a whole pass the lines are covered from both of its sides."""
    cover = cover_lines(
        np.arange(8.0), np.arange(4.0), off_centre=0.4, usable=lambda at: not 1.5 < at < 4.5
    )
    assert covered(cover) == set(range(8))
    assert all(not 1.5 < one.at < 4.5 for one in cover.passes)
