"""Wrapped axes of real pipes.

Outside diameters: ASME B36.10M, as fluids 1.3.1 (`piping.nearest_pipe`) prints them; the
circumferences are pi times those, computed apart from the code under test.
"""

from __future__ import annotations

import numpy as np
import pytest

from swathe.station import Axis


@pytest.mark.parametrize(
    ("diameter", "circumference"),
    [(114.3, 359.084), (168.3, 528.730), (219.1, 688.323), (273.0, 857.655), (323.8, 1017.248)],
)
@pytest.mark.parametrize("resolution", [1.0, 2.5, 6.35])
def test_wrapped_axis_of_a_pipe(diameter: float, circumference: float, resolution: float) -> None:
    """The cells go round exactly once: the last one's upper border is the first one's lower."""
    assert np.pi * diameter == pytest.approx(circumference, abs=1e-3)
    axis = Axis.over(
        name="index", start=0.0, length=np.pi * diameter, resolution=resolution, wrapped=True
    )
    assert axis.cells == int(np.ceil(circumference / resolution))
    low, high = axis.edges(0, axis.cells - 1)
    assert high - low == pytest.approx(circumference, abs=1e-3)
    just_round = np.array([low + circumference * 1.0001, high - 1e-6, low + 1e-6])
    assert axis.cell(just_round).tolist() == [0, axis.cells - 1, 0]
