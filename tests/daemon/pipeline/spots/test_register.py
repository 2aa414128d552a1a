"""The register of spots: which reading represents a coupling."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from swathe.pipeline.spots.register import Coupling, CouplingState, coupling_of
from swathe_drivers.records import READING


def coupling(walls: Sequence[float]) -> Coupling:
    """Return the coupling of readings, each with its number as offset."""
    readings = np.zeros(len(walls), READING)
    readings["thickness"] = walls
    readings["offset"] = np.arange(len(walls))
    readings["time"] = 10 * np.arange(len(walls))
    return coupling_of(
        readings,
        np.arange(len(walls))[:, None],
        number=1,
        utc_offset=1000,
        by="Kim",
        state=CouplingState.COUNTED,
    )


@pytest.mark.parametrize(
    ("walls", "number"),
    [
        ([5.0], 0),
        ([7.0, 5.0, 6.0], 2),
        ([7.0, 5.0, 6.0, 8.0], 2),
        ([6.0, 5.0], 1),
        ([7.0, 6.0, 6.0, 6.0, 5.0], 1),
        ([9.0, 6.0, 6.0, 1.0], 1),
    ],
)
def test_median_reading_represents_the_coupling(walls: list[float], number: int) -> None:
    """With an even number the lower of the two in the middle; of equal ones the first."""
    found = coupling(walls)
    assert int(found.reading["offset"][0]) == number
    assert found.value == walls[number]
    assert found.time == 1000 + 10 * number
    assert found.waveform is not None
    assert found.waveform.tolist() == [[number]]


def test_spread_and_standard_deviation() -> None:
    """Maximum less minimum; one reading has no deviation."""
    found = coupling([5.0, 6.0, 8.0])
    assert (found.readings, found.spread) == (3, 3.0)
    assert found.sd == pytest.approx(np.std([5.0, 6.0, 8.0], ddof=1))
    assert math.isnan(coupling([5.0]).sd)
