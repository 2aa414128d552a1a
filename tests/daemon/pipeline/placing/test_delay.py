"""The delay told from a serpentine raster, against rasters whose delay is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe.pipeline.placing.delay import (
    DelayEstimate,
    LinePass,
    _mean,
    _why_unsure,
    estimate_delay,
    find_passes,
)

RESOLUTION = 4.0
LENGTH = 600.0
LINES = 16
MS = 1_000_000
GAUGE_HZ, ENCODER_HZ = 60.0, 200.0


def wall(scan: NDArray[np.float64], index: float, *, flat: bool) -> NDArray[np.float64]:
    """Return a corroded wall's thickness, or an even one's, mm."""
    if flat:
        return np.full(scan.shape, 12.0)
    thickness = 12.0 - 1.2 * np.exp(-(((scan - 200) / 60) ** 2) - ((index - 40) / 50) ** 2)
    for at, row, depth, radius in ((90, 20, 1.5, 12), (330, 60, 2.5, 16), (470, 90, 2.0, 14)):
        thickness -= depth * np.exp(-(((scan - at) ** 2 + (index - row) ** 2) / radius**2))
    return np.asarray(thickness)


def raster(
    *, speed: float, delay_ms: float, jitter_ms: float, flat: bool = False, seed: int = 0
) -> list[LinePass]:
    """Return the passes of a serpentine raster whose readings are stamped late by `delay_ms`.

    The gauge has no clock: its jitter is what is left on its times, about their mean.
    """
    rng = np.random.default_rng(seed)
    line_seconds = LENGTH / speed + 1.0
    total = LINES * line_seconds

    def place(seconds: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        line = np.minimum((seconds // line_seconds).astype(np.int64), LINES - 1)
        along = np.clip((seconds - line * line_seconds - 0.5) * speed, 0, LENGTH)
        return np.where(line % 2 == 0, along, LENGTH - along), line

    seen = np.arange(0, total, 1 / ENCODER_HZ)
    path, path_rows = place(seen)
    read = np.arange(0.1, total, 1 / GAUGE_HZ)
    at, rows = place(read)
    thickness = np.array(
        [wall(np.array([x]), 8.0 * r, flat=flat)[0] for x, r in zip(at, rows, strict=True)]
    )
    thickness += rng.normal(0, 0.012, thickness.size)
    stamped = read + delay_ms / 1000 + rng.uniform(-jitter_ms / 2, jitter_ms / 2, read.size) / 1000
    order = np.argsort(stamped)
    return find_passes(
        rows[order],
        np.rint(stamped[order] * 1e9).astype(np.int64),
        thickness[order],
        np.rint(seen * 1e9).astype(np.int64),
        path,
        path_rows,
        RESOLUTION,
    )


def told(**circumstances: float | bool) -> DelayEstimate:
    """Return the estimate for a raster."""
    return estimate_delay(raster(**circumstances), resolution=RESOLUTION)  # type: ignore[arg-type]


@pytest.mark.parametrize("speed", [50.0, 100.0, 250.0, 500.0])
@pytest.mark.parametrize("delay", [0.0, 12.0, 60.0, 120.0])
@pytest.mark.parametrize("jitter", [0.0, 20.0])
def test_delay_is_within_2_ms_wherever_it_is_sure(
    speed: float, delay: float, jitter: float
) -> None:
    """Over the range of speeds, delays and jitter, an answer that claims to be sure is right."""
    found = told(speed=speed, delay_ms=delay, jitter_ms=jitter)
    if found.sure:
        assert found.delay / 1e6 == pytest.approx(delay, abs=2.0)
        assert found.error / 1e6 < 1.0
    else:
        assert found.reason


def test_delay_is_sure_on_an_ordinary_scan() -> None:
    """At an ordinary speed a corroded wall tells the delay, whichever it is."""
    for delay in (0.0, 9.0, 45.0, 120.0):
        found = told(speed=100.0, delay_ms=delay, jitter_ms=2.0)
        assert found.sure, found.reason
        assert found.delay / 1e6 == pytest.approx(delay, abs=2.0)
        assert found.pairs == LINES - 1


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("speed", [50.0, 250.0])
def test_delay_is_never_sure_on_a_flat_plate(seed: int, speed: float) -> None:
    """An even wall cannot tell a delay, and the estimate says so."""
    found = told(speed=speed, delay_ms=40.0, jitter_ms=5.0, flat=True, seed=seed)
    assert not found.sure
    assert found.reason


def test_delay_needs_lines_run_both_ways() -> None:
    """A raster whose lines all run in one direction tells nothing, and says what is needed."""
    passes = raster(speed=100.0, delay_ms=5.0, jitter_ms=0.0)
    found = estimate_delay(passes[::2], resolution=RESOLUTION)
    assert not found.sure
    assert "0 pairs of neighbouring lines run in opposite directions, 8 are needed" in found.reason
    assert estimate_delay([], resolution=RESOLUTION).pairs == 0


def test_delay_from_going_to_and_fro_on_one_line() -> None:
    """Going to and fro over a step of a block tells the delay as a raster does."""
    passes = raster(speed=100.0, delay_ms=30.0, jitter_ms=1.0)
    one_line = [
        LinePass(0, p.times, np.where(place_of(p) < 300, 12.7, 10.0), p.path_times, p.path)
        for p in (shifted(one, 30.0) for one in passes)
    ]
    late = [LinePass(0, p.times + 30_000_000, p.thickness, p.path_times, p.path) for p in one_line]
    found = estimate_delay(late, resolution=RESOLUTION)
    assert found.sure, found.reason
    assert found.delay / 1e6 == pytest.approx(30.0, abs=2.0)


def shifted(one: LinePass, delay_ms: float) -> LinePass:
    """Return a pass with a delay taken off its readings."""
    times = one.times - round(delay_ms * 1e6)
    return LinePass(one.row, times, one.thickness, one.path_times, one.path)


def place_of(one: LinePass) -> NDArray[np.float64]:
    """Return where each reading of a pass was taken."""
    return np.asarray(np.interp(one.times, one.path_times, one.path))


def test_passes_are_cut_at_reversals_and_lines() -> None:
    """A pass is one direction on one line; standing still in its middle does not cut it."""
    passes = raster(speed=100.0, delay_ms=0.0, jitter_ms=0.0)
    assert [one.row for one in passes] == list(range(LINES))
    assert all((one.speed > 0) == (one.row % 2 == 0) for one in passes)


def test_pairs_are_neighbours_run_in_opposite_directions() -> None:
    """Lines further apart make no pair whatever their directions, nor do neighbours run alike."""
    passes = raster(speed=100.0, delay_ms=5.0, jitter_ms=0.0)

    def pairs(rows: range, chosen: list[LinePass]) -> int:
        renumbered = [
            LinePass(row, one.times, one.thickness, one.path_times, one.path)
            for row, one in zip(rows, chosen, strict=True)
        ]
        return estimate_delay(renumbered, resolution=RESOLUTION).pairs

    assert pairs(range(LINES), passes) == LINES - 1
    assert pairs(range(LINES, 0, -1), passes) == LINES - 1
    assert pairs(range(0, 2 * LINES, 2), passes) == 0
    assert pairs(range(LINES // 2), passes[::2]) == 0


@pytest.mark.parametrize(
    ("apart_ms", "error_ms", "sure"),
    [
        (3.0, 0.75, True),
        (-3.0, 0.75, True),
        (3.01, 0.0, False),
        (-3.01, 0.0, False),
        (0.0, 0.76, False),
        (3.01, 0.76, False),
    ],
)
def test_estimate_needs_groups_and_mean_to_agree(
    apart_ms: float, error_ms: float, sure: bool
) -> None:
    """One group far off is enough to be unsure, and so is a large error of the mean."""
    apart = np.array([0.0, apart_ms * 1e6, 0.0, 0.0])
    reason = _why_unsure(apart, error_ms * 1e6, np.array([1.0, 10.0, 10.0]))
    assert (not reason) == sure


@pytest.mark.parametrize(("lowest", "sure"), [(6.0, True), (6.01, False), (10.0, False)])
def test_estimate_needs_a_wall_that_shows_the_delay(lowest: float, sure: bool) -> None:
    """The best delay must halve the disagreement, nearly; otherwise the wall is too even."""
    reason = _why_unsure(np.zeros(4), 0.0, np.array([lowest, 10.0, np.nan, 10.0]))
    assert (not reason) == sure
    assert sure or "too even" in reason


def test_mean_leaves_out_delays_at_which_few_pairs_overlap() -> None:
    """Half of the pairs are enough; where no delay has half of them, the most is enough."""
    costs = np.full((6, 4), np.nan)
    costs[:, 0] = [1, 2, 3, 4, 5, 9]
    costs[:3, 1] = [1, 2, 6]
    costs[:2, 2] = 1
    assert _mean(costs) == pytest.approx([4.0, 3.0, np.nan, np.nan], nan_ok=True)
    assert _mean(costs[:, 2:]) == pytest.approx([1.0, np.nan], nan_ok=True)


def passes_of(
    path: list[float], *, rows: list[int] | None = None, readings: int = 100
) -> list[LinePass]:
    """Return the passes of a path, mm, sampled every 100 ns, with so many readings over it."""
    path_times = np.arange(len(path), dtype=np.int64) * 100
    times = np.arange(readings, dtype=np.int64) * (path_times[-1] // readings)
    row = np.array(rows if rows is not None else [0] * len(path), np.int64)
    return find_passes(
        row[np.minimum(times // 100, len(path) - 1)],
        times,
        np.full(readings, 10.0),
        path_times,
        np.array(path),
        row,
        1.0,
    )


def along(first: int, last: int) -> list[float]:
    """Return a path from `first` to `last` mm by steps of 1 mm."""
    step = 1 if last >= first else -1
    return [float(x) for x in range(first, last + step, step)]


@pytest.mark.parametrize(
    ("path", "ends"),
    [
        ([], []),
        ([5.0], []),
        ([5.0] * 30, []),  # the probe stood still
        (along(0, 30), [(0.0, 30.0)]),
        (along(30, 0), [(30.0, 0.0)]),
        ([1.0, *along(0, 30)], [(0.0, 30.0)]),  # a first step back is no part of the pass
        ([0.0, 0.0, *along(0, 30)], [(0.0, 30.0)]),  # nor does a standstill begin one
        ([*along(0, 15), 15.0, 15.0, *along(16, 30)], [(0.0, 30.0)]),
        ([*along(0, 30), *along(29, 0)], [(0.0, 30.0), (30.0, 0.0)]),
        ([*along(0, 30), 29.0], [(0.0, 30.0)]),
        (along(0, 20), [(0.0, 20.0)]),  # 20 cells are enough
        (along(0, 19), []),
        (along(19, 0), []),
    ],
)
def test_passes_of_a_path(path: list[float], ends: list[tuple[float, float]]) -> None:
    """A pass is a stretch of at least 20 cells in one direction."""
    found = passes_of(path) if len(path) > 1 else []
    assert [(float(one.path[0]), float(one.path[-1])) for one in found] == ends


def test_pass_has_only_readings_of_its_own_with_an_echo() -> None:
    """From its first sample to its last, of its line, with a thickness: that many readings."""
    path = np.array([*along(0, 30), *along(29, 0)])
    path_times = np.arange(61, dtype=np.int64) * 100
    times = np.arange(0, 6001, 50, dtype=np.int64)
    thickness = np.full(times.size, 10.0)
    thickness[[3, 70]] = np.nan
    rows = np.zeros(times.size, np.int64)
    rows[5] = 1
    forth, back = find_passes(rows, times, thickness, path_times, path, np.zeros(61, np.int64), 1.0)
    assert forth.times.tolist() == [t for t in range(0, 3000, 50) if t not in (150, 250)]
    assert back.times.tolist() == [t for t in range(3000, 6000, 50) if t != 3500]
    assert (forth.speed, back.speed) == (0.01, -0.01)


def lines(count: int, *, bump: float, offset: float = 0.0) -> list[LinePass]:
    """Return lines of 30 mm at 100 mm/s, forth and back, over an even wall with one bump.

    Every second line is `offset` mm further along.
    """
    made = []
    for row in range(count):
        start = offset * (row % 2)
        times = np.arange(0, 301, dtype=np.int64) * MS + row * 1_000 * MS
        at = start + np.arange(301) / 10
        place = at if row % 2 == 0 else at[::-1]
        thickness = 10.0 - np.exp(-(((place - bump) / 2) ** 2))
        made.append(LinePass(row, times, thickness, times, place))
    return made


def test_delay_under_which_lines_hardly_overlap_is_not_evaluated() -> None:
    """Shifted until only even ends overlap lines agree perfectly, which shows nothing."""
    estimate = estimate_delay(lines(12, bump=15.0), resolution=1.0)
    assert estimate.sure, estimate.reason
    assert estimate.delay / MS == pytest.approx(0.0, abs=0.1)
    assert estimate.pairs == 11
