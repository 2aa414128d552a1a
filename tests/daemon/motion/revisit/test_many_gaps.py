"""The nearest of very many gaps is that of comparing them one by one."""

from __future__ import annotations

import numpy as np
import pytest

from support.page import station_of_size
from swathe.motion.revisit import by_hand
from swathe.pipeline import Grid
from swathe.pipeline.cells.gaps import GapRegister


@pytest.mark.parametrize("seed", range(4))
def test_nearest_of_many_is_that_of_one_by_one(seed: int) -> None:
    """Wherever the probe is, on a row of the gap, between rows or outside of the grid."""
    station, rng = station_of_size(40, 400), np.random.default_rng(seed)
    grid = Grid(scan=station.scan_axis, index=station.index_axis, rule=station.survey.cell_rule)
    register = GapRegister(grid)
    register.add(np.flatnonzero(rng.random(grid.state.size) < 0.15), 0)
    gaps = [gap for gap in register.settle() if gap.closed is None]
    assert len(gaps) > 500
    for _ in range(60):
        at = (float(rng.uniform(-20, 420)), float(rng.uniform(-5, 45)))
        if rng.random() < 0.5:
            at = (round(at[0] * 2) / 2, round(at[1] * 2) / 2)  # as near to several
        one = min(gaps, key=lambda gap: (by_hand._gap_apart(gap, grid, at), gap.number))
        assert by_hand._nearest(gaps, grid, at).number == one.number
