"""The B-scan of a line with more cells than a picture shows."""

from __future__ import annotations

import numpy as np

from swathe.report.section import _shown_cells


def test_of_each_block_the_thinnest_cell_is_shown() -> None:
    """No pit is lost: 5,000 cells in blocks of three, the last one with two; some without a value."""
    random = np.random.default_rng(2)
    wall = random.uniform(9, 12, 5000)
    wall[4321], wall[[7, 8]] = 3.0, np.nan
    wall[30:33] = np.nan
    shown = _shown_cells(wall)
    assert shown.size == 1667
    assert (np.diff(shown) > 0).all()
    assert 4321 in shown
    assert shown[10] in (30, 31, 32)
    for block in range(1667):
        values = wall[3 * block : 3 * block + 3]
        if not np.isnan(values).all():
            assert wall[shown[block]] == np.nanmin(values)
    assert np.array_equal(_shown_cells(wall[:2000]), np.arange(2000))
