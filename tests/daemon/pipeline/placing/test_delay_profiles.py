"""Profiles of passes: what they show of the wall, and how lateness is found in times alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe.pipeline.placing.delay_passes import LinePass
from swathe.pipeline.placing.delay_profiles import PassReadings, lateness

MS = 1_000_000
Floats = NDArray[np.float64]


def wall(at: Floats) -> Floats:
    """Return thickness along the scan axis, mm."""
    return np.asarray(10 + np.sin(at / 7) + 0.3 * np.sin(at / 4), np.float64)


def line_pass(
    *,
    forth: bool = True,
    late: Floats | float = 0.0,
    every_ms: int = 5,
    row: int = 0,
    slant: float = 0.0,
    start: int = 0,
) -> LinePass:
    """Return a pass of 200 mm at 100 mm/s, with readings that are late by some ms."""
    read = np.arange(0, 2000, every_ms, dtype=np.float64)
    at = read / 10 if forth else 200 - read / 10
    arrived = np.maximum.accumulate(read + late) + start
    path_times = np.arange(0, 2001, 10, dtype=np.int64)
    path = path_times / 10 if forth else 200 - path_times / 10
    thickness = wall(at - slant * row)
    return LinePass(
        row, np.rint(arrived * MS).astype(np.int64), thickness, (path_times + start) * MS, path
    )


@pytest.mark.parametrize("forth", [True, False])
def test_profile_is_the_wall_where_the_readings_were(forth: bool) -> None:
    """With the right delay it is the wall, smoothed, less its middle; beyond the pass unknown."""
    made = PassReadings([line_pass(forth=forth, late=30.0)], resolution=1.0)
    right, wrong = made.profiles(30e6), made.profiles(0.0)
    inner = (made.grid > 20) & (made.grid < 180)
    assert right.known[0][inner].all()
    expected = wall(made.grid[inner]) - np.median(wall(np.linspace(0, 200, 400)))
    assert right.thickness[0][inner] == pytest.approx(expected, abs=0.03)
    assert np.abs(wrong.thickness[0][inner] - expected).max() > 0.2
    assert right.velocity[0][inner] == pytest.approx(1e-7 if forth else -1e-7, rel=0.02)


def test_profile_is_unknown_where_readings_are_missing() -> None:
    """Between readings that are far apart, and where all echoes were lost."""
    whole = line_pass()
    lost = (whole.times > 800 * MS) & (whole.times < 1200 * MS)
    thickness = np.where(lost, np.nan, whole.thickness)
    made = PassReadings(
        [LinePass(0, whole.times, thickness, whole.path_times, whole.path)], resolution=1.0
    )
    known = made.profiles(0.0).known[0]
    assert not known[(made.grid > 85) & (made.grid < 115)].any()
    assert known[(made.grid > 20) & (made.grid < 75)].all()


def test_profile_with_slant_is_that_of_straight_features() -> None:
    """Features that run obliquely over rows 0 and 3 meet once the slant is subtracted."""
    passes = [line_pass(row=row, slant=2.0, start=3000 * row) for row in (0, 3)]
    made = PassReadings(passes, resolution=1.0)
    inner = (made.grid > 20) & (made.grid < 170)
    straight, oblique = made.profiles(0.0, 2.0), made.profiles(0.0)
    assert np.abs(np.diff(straight.thickness[:, inner], axis=0)).max() < 0.03
    assert np.abs(np.diff(oblique.thickness[:, inner], axis=0)).max() > 0.5


@pytest.mark.parametrize("every_ms", [2, 20])
def test_width_follows_cell_spacing_and_jitter(every_ms: int) -> None:
    """The smoothing is as wide as half a cell, a spacing of readings or 1.5 lengths of jitter."""
    rng = np.random.default_rng(1)
    steady = PassReadings([line_pass(every_ms=every_ms)], resolution=1.0)
    assert steady.width == pytest.approx(max(0.5, every_ms / 10), rel=0.01)
    late = rng.exponential(15.0, 2000 // every_ms)
    jittered = PassReadings([line_pass(every_ms=every_ms, late=late)], resolution=1.0)
    assert jittered.width == pytest.approx(1.5 * jittered.jitter * 1e-7)
    assert 8e6 < jittered.jitter < 25e6


def test_lateness_is_found_in_the_times_alone() -> None:
    """Its spread and its skewness, of readings and of samples; a steady device has none."""
    steady = lateness([line_pass()])
    assert np.ptp(steady[0]) < 1
    assert np.ptp(steady[1]) < 1
    late = np.tile([0.0, 0.0, 0.0, 4.0], 100)  # less than an interval: nothing queues
    readings, samples = lateness([line_pass(late=late)])
    assert readings.std() == pytest.approx(1.732e6, rel=0.05)
    assert readings.mean() == pytest.approx(0.0, abs=1)
    assert (readings**3).mean() == pytest.approx(6.0e18, rel=0.1)
    assert np.ptp(samples) < 1


@pytest.mark.parametrize("forth", [True, False])
def test_lateness_of_samples_is_positive_in_both_directions(forth: bool) -> None:
    """A sample that comes late shows where the probe was, behind where it is."""
    one = line_pass(forth=forth)
    late = np.zeros(one.path_times.size, np.int64)
    late[5::8] = 9 * MS
    _, samples = lateness([LinePass(0, one.times, one.thickness, one.path_times + late, one.path)])
    assert (samples**3).mean() > 1e17
    _, steady = lateness([one])
    assert np.abs(steady**3).mean() < 1e3


def test_lateness_leaves_out_windows_with_lost_readings() -> None:
    """A hole of a second is no jitter."""
    passes = [line_pass(start=3000 * number) for number in range(8)]
    one = passes[3]
    kept = (one.times < 9500 * MS) | (one.times > 10500 * MS)
    passes[3] = LinePass(0, one.times[kept], one.thickness[kept], one.path_times, one.path)
    assert np.ptp(lateness(passes)[0]) < 1
