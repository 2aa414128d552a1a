"""Maps on paper: scales, strips, patterns, and cells as coarse as a page shows them."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.document.map_cells import read_map_cells
from swathe.document.patterns import hatched, state_pixels
from swathe.document.sheet import map_layout
from swathe.evaluation import CellSource
from swathe.pipeline import CellState
from swathe.station import Axis


@given(st.floats(1, 2e5), st.floats(1, 2e5))
def test_a_map_fits_its_page(width: float, height: float) -> None:
    """Between the margins of letter and A4, whatever the part; no larger scale of one piece would fit."""
    layout = map_layout(width, height)
    long, short = max(width, height), min(width, height)
    room_long, room_short = (152, 165) if width >= height else (165, 152)
    strips = layout.strips * short / layout.denominator + (layout.strips - 1) * 11
    assert layout.length / layout.denominator <= room_long * (1 + 1e-6)
    assert strips <= room_short * (1 + 1e-6)
    assert layout.length * layout.strips == pytest.approx(long)
    assert layout.along_scan is (width >= height)


@pytest.mark.parametrize(
    ("width", "height", "text", "strips"),
    [
        (904, 248, "1:6", 1),
        (20_000, 800, "1:50", 3),
        (100, 80, "1.5:1", 1),
        (800, 20_000, "1:50", 3),
    ],
)
def test_scale_of_a_map(width: float, height: float, text: str, strips: int) -> None:
    """Computed by hand: 904 mm on 152 mm of paper is 1:6; a long belt is cut where that doubles it."""
    layout = map_layout(width, height)
    assert (layout.text, layout.strips) == (text, strips)


def test_states_differ_in_grey() -> None:
    """Without colour each pattern is another one, and each pixel is tint or ink of its state."""
    inked = {state: hatched(state, (48, 48)) for state in CellState}
    for one, other in combinations(CellState, 2):
        assert (inked[one] != inked[other]).mean() > 0.02, (one, other)
    assert not inked[CellState.MEASURED].any()
    pixels = state_pixels(np.full((48, 48), CellState.SKIPPED, np.uint8))
    assert len(np.unique(pixels.reshape(-1, 3), axis=0)) == 2


@pytest.mark.parametrize("band_cells", [50, 1000, 100_000])
def test_a_coarse_map_loses_no_pit_and_no_gap(band_cells: int) -> None:
    """Of each block the lowest cell that counts and the most urgent state, however it was read."""
    shape = 83, 131
    random = np.random.default_rng(5)
    thickness = random.uniform(9, 12, shape).astype(np.float32)
    state = np.full(shape, CellState.MEASURED, np.uint8)
    thickness[41, 77], state[82, 130] = 3.5, CellState.NO_SIGNAL
    state[10:20, 10:20], thickness[10:20, 10:20] = CellState.SUSPECT, 2.0
    arrays: dict[str, Any] = {
        "hits": np.ones(shape, np.uint32),
        "thickness": thickness,
        "state": state,
        "quality": np.zeros(shape, np.uint16),
        "scan": np.arange(131.0),
        "index": np.arange(83.0),
    }
    source = CellSource(
        arrays, Axis("scan", 0.0, 1.0, 131), Axis("index", 0.0, 1.0, 83), band_cells
    )
    cells = read_map_cells(source, (21, 33))
    assert cells.state.shape == (21, 33)
    assert cells.block == (4.0, 4.0)
    assert cells.extent == (-0.5, 131.5, 83.5, -0.5)
    assert cells.thickness[10, 19] == np.float32(3.5)
    assert cells.state[20, 32] == CellState.NO_SIGNAL
    # Rows 12 to 15 and columns 12 to 15 are suspect alone; blocks at the edge have cells that count.
    assert cells.apart.sum() == 4
    assert cells.apart[3, 3]
    assert cells.thickness[3, 3] == np.float32(2.0)
    assert cells.thickness[2, 2] > 8
    expected = np.where(state == CellState.MEASURED, thickness, np.inf)[:80, :128]
    blocks = expected.reshape(20, 4, 32, 4).min(axis=(1, 3))
    counts = np.isfinite(blocks)
    assert np.array_equal(cells.thickness[:20, :32][counts], blocks[counts].astype(np.float32))
