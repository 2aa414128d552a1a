"""The parts of the delay estimate: overlap, means over pairs, the lowest point, the verdict."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.pipeline import Placed, ProbePath
from swathe.pipeline.placing import delay
from swathe.pipeline.placing.delay import LinePass, estimate_delay, find_passes
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.station import Axis

MS = 1_000_000
RESOLUTION = 1.0


def line_pass(
    row: int, *, forth: bool = True, late_ns: int = 0, length: float = 100.0, begin: float = 0.0
) -> LinePass:
    """Return a pass at 100 mm/s, a reading each 5 ms, over a wall that differs all along."""
    times = np.arange(0, round(length * 10), 5, dtype=np.int64) * MS
    at = begin + (times / 1e7 if forth else length - times / 1e7)
    path_times = np.arange(0, round(length * 10) + 1, 10, dtype=np.int64) * MS
    path = begin + (path_times / 1e7 if forth else length - path_times / 1e7)
    return LinePass(row, times + late_ns, wall(at), path_times, path)


def wall(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return thickness along the scan axis, mm."""
    return np.asarray(10 + np.sin(at / 7) + 0.3 * np.sin(at / 2.3), np.float64)


def test_profile_is_the_wall_where_the_readings_were() -> None:
    """With the right delay the profile is the wall itself, and unknown beyond the readings."""
    grid = np.arange(-10.0, 110.0, 0.5)
    inside = (grid >= 0) & (grid <= 99.5)
    for forth in (True, False):
        one = line_pass(0, forth=forth, late_ns=30 * MS)
        profile = delay._profile(one, 30e6, grid)
        known = np.isfinite(profile)
        assert known[inside & (grid > 0.5)].all()
        assert not known[grid < -0.1].any()
        assert not known[grid > 100.1].any()
        assert profile[known] == pytest.approx(wall(grid[known]), abs=0.02)


def test_disagreement_is_lowest_at_the_true_delay() -> None:
    """Two lines in opposite directions agree when the delay is subtracted, and else do not."""
    a, b = line_pass(0, late_ns=30 * MS), line_pass(1, forth=False, late_ns=30 * MS)
    delays = np.array([-30e6, 0.0, 30e6, 60e6])
    costs = delay._disagreement(a, b, delays, RESOLUTION)
    assert int(np.argmin(costs)) == 2
    assert costs[2] < 0.01
    assert costs[[0, 1, 3]].min() > 0.2


def test_disagreement_ignores_a_difference_of_the_lines_as_a_whole() -> None:
    """A line that is half a millimetre thicker all along agrees with its neighbour."""
    a, b = line_pass(0), line_pass(1, forth=False)
    thicker = LinePass(1, b.times, b.thickness + 0.5, b.path_times, b.path)
    assert delay._disagreement(a, thicker, np.zeros(1), RESOLUTION)[0] < 0.01


def test_disagreement_needs_overlap() -> None:
    """Lines that hardly meet, or meet no more at a delay, are not compared."""
    a = line_pass(0)
    apart = line_pass(1, forth=False, begin=85.0)
    assert np.isnan(delay._disagreement(a, line_pass(1, forth=False, begin=95.0), np.zeros(1), 1.0))
    assert np.isfinite(delay._disagreement(a, apart, np.zeros(1), 1.0))
    # A shift of 2 · 35 mm leaves 30 of 100 mm, which is less than the share that is needed.
    b = line_pass(1, forth=False)
    costs = delay._disagreement(a, b, np.array([0.0, 250e6, 350e6]), RESOLUTION)
    assert np.isfinite(costs).tolist() == [True, True, False]


def test_mean_takes_the_pairs_that_are_known() -> None:
    """A delay at which half of the pairs are known has their mean; with fewer it is unknown."""
    nan = np.nan
    costs = np.array(
        [
            [1.0, 1.0, 1.0, nan, nan],
            [2.0, 2.0, nan, nan, nan],
            [3.0, nan, nan, nan, nan],
            [6.0, 6.0, nan, 6.0, nan],
        ]
    )
    assert delay._mean(costs) == pytest.approx(np.array([3.0, 3.0, nan, nan, nan]), nan_ok=True)
    # Where no delay has half of them, those with the largest number stand.
    few = costs[:, 2:]
    assert delay._mean(few) == pytest.approx(np.array([1.0, 6.0, nan]), nan_ok=True)


def test_lowest_is_that_of_a_parabola() -> None:
    """Between two delays, beyond a hole of unknown ones, and never outside the window."""
    delays = np.arange(-20.0, 21.0)
    assert delay._lowest(delays, (delays - 3.3) ** 2 + 5) == pytest.approx(3.3)
    cost = (delays + 4.2) ** 2
    cost[[2, 30]] = np.nan
    assert delay._lowest(delays, cost) == pytest.approx(-4.2)
    assert delay._lowest(delays, -((delays - 50) ** 2)) == -20.0  # no parabola that opens upward
    assert delay._lowest(delays, (delays - 40.0) ** 2) == 20.0  # its lowest point is outside


@pytest.mark.parametrize(
    ("apart_ms", "error_ms", "total", "reason"),
    [
        ([0.0, 1.0, -1.0], 0.5, [1.0, 0.5, 1.0, 1.0], ""),
        ([0.0, 2.9, -2.9], 0.7, [1.0, 0.6, 1.0, 1.0], ""),
        ([0.0, 1.0, -1.0], 0.5, [1.0, 0.65, 1.0, 1.0], "the wall is too even"),
        ([0.0, 1.0, -3.1], 0.5, [1.0, 0.5, 1.0, 1.0], "groups of them differ by up to 3.1 ms"),
        ([0.0, 3.1, -1.0], 0.5, [1.0, 0.5, 1.0, 1.0], "groups of them differ by up to 3.1 ms"),
        ([0.0, 1.0, -1.0], 0.8, [1.0, 0.5, 1.0, 1.0], "the lines do not agree on a delay"),
    ],
)
def test_verdict_says_why_an_estimate_is_not_sure(
    apart_ms: list[float], error_ms: float, total: list[float], reason: str
) -> None:
    """Each condition by itself makes an estimate unsure: gain, farthest group, standard error."""
    text = delay._why_unsure(np.array(apart_ms) * 1e6, error_ms * 1e6, np.array(total))
    assert reason in text
    assert bool(text) is bool(reason)


def test_pairs_are_neighbours_in_opposite_directions() -> None:
    """Lines that are two apart, or run the same way, are no pair."""
    forth_and_back = [line_pass(row, forth=row % 2 == 0) for row in range(9)]
    estimate = estimate_delay(forth_and_back, resolution=RESOLUTION)
    assert estimate.pairs == 8
    assert estimate.sure, estimate.reason
    assert abs(estimate.delay) < 1e6
    same_way = [line_pass(row) for row in range(9)]
    assert estimate_delay(same_way, resolution=RESOLUTION).pairs == 0
    skipped = [line_pass(2 * row, forth=row % 2 == 0) for row in range(9)]
    verdict = estimate_delay(skipped, resolution=RESOLUTION)
    assert (verdict.pairs, verdict.sure, verdict.delay) == (0, False, 0.0)
    assert verdict.reason.startswith("0 pairs of neighbouring lines")
    one_line = [line_pass(4, forth=row % 2 == 0) for row in range(9)]
    assert estimate_delay(one_line, resolution=RESOLUTION).pairs == 8
    assert estimate_delay(forth_and_back[:8], resolution=RESOLUTION).pairs == 7
    assert not estimate_delay(forth_and_back[:8], resolution=RESOLUTION).sure


def test_pairs_that_do_not_overlap_are_left_out() -> None:
    """Pieces of lines on the two sides of an obstruction have nothing in common."""
    passes = [
        line_pass(row, forth=row % 2 == 0, begin=0.0 if row % 2 == 0 else 200.0)
        for row in range(10)
    ]
    verdict = estimate_delay(passes, resolution=RESOLUTION)
    assert (verdict.pairs, verdict.sure) == (0, False)
    assert verdict.reason == "only 0 pairs of neighbouring lines overlap"


def test_pass_needs_length_and_readings() -> None:
    """Passes shorter than 20 cells, with fewer than 20 readings or off the grid are left out."""

    def passes(length: float, every_ms: int, row: int = 0) -> int:
        path_times = np.arange(0, round(length * 10) + 1, 10, dtype=np.int64) * MS
        path = path_times / 1e7
        times = np.arange(0, round(length * 10), every_ms, dtype=np.int64) * MS
        return len(
            find_passes(
                np.full(times.size, row),
                times,
                np.full(times.size, 10.0),
                path_times,
                path,
                np.full(path.size, row),
                RESOLUTION,
            )
        )

    assert passes(20.0, 5) == 1
    assert passes(19.0, 5) == 0
    assert passes(100.0, 50) == 1  # 20 readings
    assert passes(95.0, 50) == 0  # 19 readings
    assert passes(100.0, 5, row=-1) == 0


def test_pass_has_the_readings_of_its_line_with_an_echo() -> None:
    """Readings of another line, and those without an echo, belong to no pass."""
    path_times = np.arange(0, 1001, 10, dtype=np.int64) * MS
    times = np.arange(0, 1000, 5, dtype=np.int64) * MS
    rows = np.zeros(times.size, np.int64)
    rows[50:60] = 1
    thickness = np.full(times.size, 10.0)
    thickness[100:110] = np.nan
    path_rows = np.zeros(path_times.size, np.int64)
    (one,) = find_passes(
        rows, times, thickness, path_times, path_times / 1e7, path_rows, RESOLUTION
    )
    kept = np.ones(times.size, bool)
    kept[50:60] = kept[100:110] = False
    assert one.times.tolist() == times[kept].tolist()
    assert np.isfinite(one.thickness).all()
    assert one.speed == pytest.approx(1e-7)
    assert (one.path_times[0], one.path_times[-1]) == (0, 1000 * MS)


def test_no_motion_has_no_passes() -> None:
    """A probe at rest has scanned no line."""
    n = 50
    found = find_passes(
        np.zeros(n, np.int64),
        np.arange(n) * MS,
        np.full(n, 10.0),
        np.arange(n) * MS,
        np.full(n, 5.0),
        np.zeros(n, np.int64),
        RESOLUTION,
    )
    assert found == []


def observer() -> DelayObserver:
    """Return an observer of a plan of ten lines of 100 mm."""
    return DelayObserver(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=101),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=10),
    )


def show(made: DelayObserver, rows: range, *, late_ns: int = 30 * MS, pieces: int = 4) -> None:
    """Show an observer a raster at 100 mm/s, each line in several pieces."""
    for row in rows:
        start = row * 1000
        times = np.arange(start, start + 1001, 10, dtype=np.int64) * MS
        share = (times / MS - start) / 1000
        scan = 100 * (share if row % 2 == 0 else 1 - share)
        borders = np.linspace(0, times.size - 1, pieces + 1).astype(int).tolist()
        for begin, last in pairwise(borders):
            piece = slice(begin, last + 1)
            n = times[piece].size
            flags = np.ones(n, bool)
            index = np.full(n, float(row))
            path = ProbePath(
                times[piece],
                scan[piece],
                index,
                flags,
                ~flags,
                ~flags,
                times[piece],
                np.zeros((n, 2)),
            )
            made.moved_along(path)
            read = np.arange(int(times[begin]) + 2 * MS, int(times[last]), 5 * MS)
            at = np.interp(read, times, scan)
            made_readings = readings(read + late_ns, wall(at).tolist())
            made_readings["valid"][::50] = False
            made.placed(Placed(made_readings, at, np.full(at.size, float(row)), read + late_ns))


def test_observer_estimates_the_delay_of_what_it_was_shown() -> None:
    """Readings 30 ms late are found to be, from the pieces as from the whole."""
    for pieces in (1, 4):
        made = observer()
        show(made, range(10), pieces=pieces)
        estimate = made.estimate()
        assert estimate.sure, estimate.reason
        assert estimate.delay == pytest.approx(30e6, abs=1e6)
        assert estimate.pairs == 9


def test_observer_copy_is_not_changed_by_what_comes_later() -> None:
    """An estimate in another thread sees what was there when the copy was made."""
    made = observer()
    show(made, range(10))
    copy = made.copy()
    before = copy.estimate()
    show(made, range(10, 12), late_ns=0)
    assert copy.estimate() == before
