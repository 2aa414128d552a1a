"""Passes along lines: where a path turns, which readings belong to it, what is compared."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe.pipeline.placing.delay_passes import LinePass, find_passes, pair_passes

MS = 1_000_000


def passes_of(
    path: list[float],
    *,
    rows: list[int] | None = None,
    readings: int = 100,
    apart: list[int] | None = None,
) -> list[LinePass]:
    """Return the passes of a path, mm, sampled every 100 ns, with so many readings over it."""
    path_times = np.arange(len(path), dtype=np.int64) * 100
    times = np.arange(readings, dtype=np.int64) * (path_times[-1] // readings)
    broken = np.zeros(len(path), bool)
    broken[apart or []] = True
    return find_passes(
        times,
        np.full(readings, 10.0),
        path_times,
        np.array(path),
        np.array(rows if rows is not None else [0] * len(path), np.int64),
        1.0,
        apart=broken,
    )


def along(first: int, last: int) -> list[float]:
    """Return a path from `first` to `last` mm by steps of 1 mm."""
    step = 1 if last >= first else -1
    return [float(x) for x in range(first, last + step, step)]


@pytest.mark.parametrize(
    ("path", "ends"),
    [
        ([5.0, 5.0], []),
        ([5.0] * 30, []),  # the probe stood still
        (along(0, 30), [(0.0, 30.0)]),
        (along(30, 0), [(30.0, 0.0)]),
        ([2.0, *along(0, 30)], [(0.0, 30.0)]),  # a first step back is no part of the pass
        ([0.0, 0.0, *along(0, 30), 30.0, 30.0], [(0.0, 30.0)]),  # nor is rest at its ends
        ([*along(0, 15), 15.0, 15.0, *along(16, 30)], [(0.0, 30.0)]),
        ([*along(0, 30), *along(29, 0)], [(0.0, 30.0), (30.0, 0.0)]),
        ([*along(0, 15), 14.7, *along(15, 30)], [(0.0, 30.0)]),  # a count of flicker is no turn
        ([*along(0, 30), 29.7, 30.0, *along(29, 0)], [(0.0, 30.0), (30.0, 0.0)]),
        ([*along(0, 30), *along(29, 9), *along(10, 31)], [(0.0, 30.0), (30.0, 9.0), (9.0, 31.0)]),
        (along(0, 20), [(0.0, 20.0)]),  # 20 cells are enough
        (along(0, 19), []),
        (along(19, 0), []),
    ],
)
def test_passes_of_a_path(path: list[float], ends: list[tuple[float, float]]) -> None:
    """A pass is a stretch of at least 20 cells in one direction, without the rest at its ends."""
    found = passes_of(path)
    assert [(float(one.path[0]), float(one.path[-1])) for one in found] == ends


def test_pass_ends_where_the_line_changes_or_no_path_is_known() -> None:
    """The next line, a place off the grid and a position reset begin another pass."""
    path = along(0, 60)
    assert len(passes_of(path)) == 1
    assert [one.row for one in passes_of(path, rows=[0] * 30 + [1] * 31)] == [0, 1]
    assert [one.row for one in passes_of(path, rows=[0] * 30 + [-1] * 31)] == [0]
    parts = passes_of(path, apart=[30])
    assert [(one.path[0], one.path[-1]) for one in parts] == [(0.0, 29.0), (30.0, 60.0)]


def test_pass_has_readings_that_a_delay_may_bring_in() -> None:
    """Readings up to 200 ms before and after are kept, others are not."""
    path_times = np.arange(0, 3001, 10, dtype=np.int64) * MS
    path = np.clip((path_times / MS - 1000) / 10, 0, 100)
    times = np.arange(0, 3000, 5, dtype=np.int64) * MS
    thickness = np.full(times.size, 10.0)
    rows = np.zeros(path.size, np.int64)
    (one,) = find_passes(times, thickness, path_times, path, rows, 1.0)
    assert (one.path_times[0], one.path_times[-1]) == (1000 * MS, 2000 * MS)
    assert (one.times[0], one.times[-1]) == (800 * MS, 2195 * MS)
    assert one.speed == pytest.approx(1e-7)


def test_pass_needs_20_readings_with_an_echo() -> None:
    """Readings without an echo do not count, but they show when the gauge read."""
    path_times = np.arange(0, 1001, 10, dtype=np.int64) * MS
    times = np.arange(0, 1000, 10, dtype=np.int64) * MS
    thickness = np.full(times.size, np.nan)
    rows = np.zeros(path_times.size, np.int64)

    def found() -> list[LinePass]:
        return find_passes(times, thickness, path_times, path_times / 1e7, rows, 1.0)

    thickness[:19] = 10.0
    assert found() == []
    thickness[19] = 10.0
    (one,) = found()
    assert one.times.size == times.size


def made(*lines: tuple[int, float]) -> list[LinePass]:
    """Return passes of 100 mm, given as row and velocity, mm/s."""
    passes = []
    for row, speed in lines:
        times = np.linspace(0, 100 / abs(speed) * 1e9, 50).astype(np.int64)
        path = np.linspace(0, 100, 50) if speed > 0 else np.linspace(100, 0, 50)
        passes.append(LinePass(row, times, np.full(50, 10.0), times, path))
    return passes


@pytest.mark.parametrize(
    ("lines", "pairs"),
    [
        ([(0, 100), (1, -100), (2, 100)], [(0, 1), (1, 2)]),
        ([(2, 100), (1, -100), (0, 100)], [(0, 1), (1, 2)]),
        ([(0, 100), (2, -100), (4, 100)], []),  # two apart
        ([(0, 100), (1, 100), (2, 100)], []),  # the same way
        ([(0, 100), (1, 71), (2, 100)], []),  # speeds that hardly differ
        ([(0, 100), (1, 69), (2, 100)], [(0, 1), (1, 2)]),  # clearly different speeds
        ([(4, 100), (4, -100), (4, 100)], [(0, 1), (1, 2)]),  # to and fro on one line
        ([(0, 100), (0, -100), (0, 100), (1, -100)], [(0, 1), (1, 2), (2, 3)]),  # a back-up
        ([(0, 100), (1, -100), (5, 100), (0, -100)], [(0, 1), (0, 3)]),  # a line repeated later
        ([(0, 100), (0, 100), (1, -100)], [(1, 2)]),  # the latest one
        ([(0, -100), (0, 100), (1, 100)], [(0, 1), (0, 2)]),  # the latest one that differs
    ],
)
def test_pairs_are_passes_over_the_same_or_neighbouring_lines(
    lines: list[tuple[int, float]], pairs: list[tuple[int, int]]
) -> None:
    """In the other direction, or at a speed that differs by 30 %."""
    assert [tuple(pair) for pair in pair_passes(made(*lines)).tolist()] == pairs


def test_no_passes_have_no_pairs() -> None:
    """The shape is that of pairs all the same."""
    found: NDArray[np.int64] = pair_passes([])
    assert found.shape == (0, 2)
