"""Profiles of the lowest thickness, against numpy on the whole wall."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.evaluation.walls import random_wall, source_of
from swathe.evaluation import LowestProfiles

SHAPE = (9, 12)


@given(st.integers(0, 10_000), st.integers(1, 110))
def test_profiles_are_those_of_numpy_for_any_band(seed: int, band_cells: int) -> None:
    """Along scan (1 mm) and along index (2 mm); where nothing was measured there is none."""
    wall = random_wall(seed, SHAPE, digits=1)
    wall.state[:, 5] = 0
    wall.hits[:, 5] = 0
    (whole,) = source_of(wall).bands()
    source = source_of(wall, band_cells=band_cells)
    profiles = LowestProfiles(source)
    for band in source.bands():
        profiles.add(band)
    values = np.where(whole.sound, whole.thickness, np.inf)
    for found, across, width in zip(profiles.profiles(), (0, 1), (2.0, 1.0), strict=True):
        lowest = values.min(axis=across)
        known = np.isfinite(lowest)
        assert found.axis == ("scan", "index")[across]
        np.testing.assert_array_equal(found.lowest, np.where(known, lowest, np.nan))
        at = np.where(known, values.argmin(axis=across) * width, np.nan)
        np.testing.assert_array_equal(found.lowest_at, at)
        np.testing.assert_array_equal(found.measured, whole.sound.sum(axis=across))
        np.testing.assert_array_equal(found.unseen, whole.unseen.sum(axis=across))
    assert np.isnan(profiles.profiles()[0].lowest[5])
    np.testing.assert_array_equal(profiles.profiles()[1].positions, np.arange(9) * 2.0)
