"""The order in which rows of a large plan are offered to a hand, against a sort of all of them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from swathe.motion.revisit.by_hand import _next_rows
from swathe.station import Axis


@pytest.mark.parametrize("wrapped", [False, True])
@pytest.mark.parametrize(("rows", "here"), [(1000, 30), (1000, 999), (50, 20), (65, 0)])
def test_rows_come_nearest_first_the_higher_of_two(rows: int, here: int, *, wrapped: bool) -> None:
    """Each row with missing cells once, whether there are few or many."""
    missing = np.random.default_rng(rows).integers(0, 2, rows)
    index = Axis(name="index", start=0.0, resolution=1.0, cells=rows, wrapped=wrapped)
    coverage = SimpleNamespace(missing_in_rows=lambda: missing)
    survey = cast("Any", SimpleNamespace(coverage=coverage, grid=SimpleNamespace(index=index)))

    def far(row: int) -> tuple[int, bool]:
        step = row - here
        if wrapped:
            step = (step + rows // 2) % rows - rows // 2
        return abs(step), step < 0

    wanted = sorted(np.flatnonzero(missing).tolist(), key=far)
    assert list(_next_rows(survey, here)) == wanted
    assert list(_next_rows(survey, None)) == sorted(wanted)
