"""Extents as text, and how far a position is from one, also round a pipe."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.progress.fields import Extent, distance_to, extent_text


@pytest.mark.parametrize(
    ("extent", "text"),
    [
        (Extent(9.5, 15.5), "9.5…15.5"),
        (Extent(680, 700), "680…16"),
        (Extent(-2, 2), "682…2"),
        (Extent(600, 684), "600…684"),
        (Extent(-2, 682), "0…684"),
    ],
)
def test_extent_reads_on_the_turn(extent: Extent, text: str) -> None:
    """Over the seam the end reads from the begin of the turn; a whole turn reads as the turn."""
    assert extent_text(extent, Extent(0, 684)) == text


@given(position=st.floats(-3000, 3000), low=st.floats(0, 684), length=st.floats(0, 684))
def test_distance_round_a_pipe_is_the_shorter_path(
    position: float, low: float, length: float
) -> None:
    """No turn of the extent is nearer, and one is as near."""
    extent = Extent(low, low + length)
    turns = [Extent(low + k * 684, low + length + k * 684) for k in range(-7, 7)]
    nearest = min(distance_to(position, one) for one in turns)
    assert distance_to(position, extent, Extent(0, 684)) == pytest.approx(nearest, abs=1e-6)
