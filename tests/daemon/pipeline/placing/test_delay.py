"""The delay from a scan run both ways: intervals that hold the truth, and what they claim."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from daemon.pipeline.placing.delay_scenes import (
    Floats,
    Scan,
    Wall,
    joined,
    pits,
    random_scan,
    rough,
    seam,
    simulate,
)
from swathe.pipeline.placing.delay import DelayEstimate, estimate_delay

MS = 1e6
FLAT = "the wall is too even to show a delay"


def scan(wall: Wall, *, lines: int = 8, speed: float = 250.0, **how: float) -> Scan:
    """Return a serpentine scan of 400 mm lines, 4 mm apart, by devices with clocks."""
    forth = np.where(np.arange(lines) % 2 == 0, speed, -speed)
    made = Scan(wall, forth, np.arange(lines), length=400.0, spacing=4.0, gauge_hz=250.0)
    return replace(made, **how)  # type: ignore[arg-type]


def estimate(made: Scan, seed: int = 0, **how: float) -> tuple[DelayEstimate, float]:
    """Return the estimate for a scan, and its true delay, ns."""
    passes, truth = simulate(made, np.random.default_rng(seed))
    return estimate_delay(passes, resolution=2.0, spacing=made.spacing, **how), truth


def corroded(seed: int) -> Wall:
    """Return a wall with pits and a rough surface."""
    rng = np.random.default_rng(seed)
    return joined(pits(30, 400.0, 40.0, rng), rough(rng, 0.1))


def even(x: Floats, y: Floats) -> Floats:
    """Return an even wall."""
    return np.full(x.shape, 12.0) + 0 * y


def waves(x: Floats, y: Floats) -> Floats:
    """Return a wall whose features repeat every 20 mm."""
    return 12 + 0.3 * np.sin(2 * np.pi * x / 20) + 0 * y


@pytest.mark.slow
def test_interval_holds_the_truth_as_often_as_it_claims() -> None:
    """Over 60 scans of all kinds with jitter, queues and bunches, no fewer than 95 % can give."""
    held = bounded = 0
    for seed in range(60):
        kind = ("pits", "rough", "mixed", "profile", "one pair")[seed % 5]
        made = random_scan(kind, np.random.default_rng([900, seed]), most_lines=8)
        found, truth = estimate(made, seed)
        if math.isfinite(found.low) and math.isfinite(found.high):
            bounded += 1
            held += found.low <= truth <= found.high
    assert bounded >= 45
    assert held >= binom.ppf(0.01, bounded, 0.93)


def test_interval_is_not_wide_for_its_own_sake() -> None:
    """Standard errors are not far above the errors: half of these are below one."""
    scaled = []
    for seed in range(20):
        found, truth = estimate(scan(corroded(seed), lines=6, jitter=0.004), seed)
        scaled.append(abs(found.delay - truth) / found.error)
    assert 0.35 < float(np.median(scaled)) < 1.0


@pytest.mark.parametrize("delay", [-0.03, 0.0, 0.047, 0.12])
def test_delay_is_sure_on_an_ordinary_scan(delay: float) -> None:
    """At an ordinary speed a corroded wall shows the delay, whichever it is."""
    found, truth = estimate(scan(corroded(1), delay=delay))
    assert found.sure, found.reason
    assert (found.reason, found.needs) == ("", "")
    assert found.delay == pytest.approx(truth, abs=1.0 * MS)
    assert found.high - found.low < 1.5 * MS
    assert found.pairs == 7
    assert found.low < found.delay < found.high


def test_delay_of_a_gauge_without_a_clock_has_the_mean_of_its_jitter() -> None:
    """By arrival, with exponential jitter of 6 ms behind a slow line, 47 ms become 53 and more."""
    made = scan(corroded(2), lines=20, delay=0.047, jitter=0.006, per_record=0.003)
    found, truth = estimate(made)
    assert truth > 53 * MS
    assert found.low < truth < found.high
    assert not found.low < 47 * MS


def test_places_are_right_after_one_serpentine_pair() -> None:
    """With the delay found from two lines readings are within 0.5 mm RMS of their places."""
    errors = []
    for seed in range(12):
        found, truth = estimate(scan(corroded(seed), lines=2, jitter=0.003), seed)
        errors.append((found.delay - truth) * 250e-9)
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.5


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("speed", [50.0, 250.0])
def test_even_wall_has_no_interval(seed: int, speed: float) -> None:
    """An even wall cannot show a delay: the interval is unbounded, and it says what is needed."""
    found, _ = estimate(scan(even, speed=speed, length=200.0), seed)
    assert not found.sure
    assert math.isinf(found.error)
    assert math.isinf(found.high - found.low)
    assert found.reason.startswith(FLAT)
    assert found.needs.startswith("a wall with features")


def test_periodic_wall_has_an_interval_over_all_delays_that_agree() -> None:
    """Waves of 20 mm agree each 40 ms at 250 mm/s, if readings at the turns do not show the motion."""

    def inner(x: Floats, y: Floats) -> Floats:
        return np.where((x > 80) & (x < 320), waves(x, y), np.nan)

    found, truth = estimate(scan(inner, delay=0.03))
    assert not found.sure
    assert found.low < truth < found.high
    assert found.high - found.low > 40 * MS
    assert "passes agree as well at" in found.reason
    assert found.needs.startswith("features that do not repeat")


def test_turns_show_the_delay_on_a_periodic_wall() -> None:
    """Readings at rest do not change, those in motion do: only one delay fits the turns."""
    found, truth = estimate(scan(waves, delay=0.03))
    assert found.sure, found.reason
    assert found.delay == pytest.approx(truth, abs=0.5 * MS)


def test_slow_scan_of_a_periodic_wall_is_no_riddle() -> None:
    """At 20 mm/s waves of 20 mm agree again at 500 ms only, which is out of the question."""
    found, truth = estimate(scan(waves, delay=0.03, speed=20.0, length=120.0, lines=4))
    assert found.sure, found.reason
    assert found.low < truth < found.high


@pytest.mark.parametrize("slant", [-0.6, 0.0, 0.6])
def test_features_that_run_obliquely_are_no_delay(slant: float) -> None:
    """A seam that crosses the lines at an angle shifts them one way, a delay by turns."""
    rng = np.random.default_rng(4)
    wall = joined(seam(120.0, slant, rng), seam(250.0, slant, rng), rough(rng, 0.02))
    found, truth = estimate(scan(wall, lines=16))
    assert found.low < truth < found.high
    assert found.high - found.low < 2 * MS


def test_one_pair_allows_for_oblique_features() -> None:
    """Two lines cannot show whether features run obliquely: three degrees are in the interval.

    At 4 mm from line to line those are 0.2 mm, which 0.4 ms shift forth and back at 250 mm/s.
    """
    profile = corroded(5)

    def straight(x: Floats, y: Floats) -> Floats:
        return profile(x, 0 * y)

    two, _ = estimate(scan(straight, lines=2))
    to_and_fro, _ = estimate(scan(straight, lines=2, rows=np.zeros(2, np.int64)))  # type: ignore[arg-type]
    assert two.high - two.low > 2 * 1.96 * 0.4 * MS
    assert to_and_fro.high - to_and_fro.low < 0.5 * MS


def test_bunches_of_late_readings_do_not_shift_the_delay() -> None:
    """Behind a hole comes a bunch, of which each reading counts as much as one before the hole."""
    profile = corroded(8)

    def straight(x: Floats, y: Floats) -> Floats:
        return profile(x, 0 * y)

    rows = np.zeros(24, np.int64)
    errors = []
    for seed in range(3):
        made = scan(straight, lines=24, speed=140.0, gauge_hz=160.0, jitter=0.012, shape=0.5)
        found, truth = estimate(replace(made, rows=rows), seed)
        errors.append(found.delay - truth)
    assert abs(float(np.mean(errors))) < 1.0 * MS


def test_backlash_is_told_from_a_delay_where_speeds_differ() -> None:
    """0.4 mm of backlash are 1.6 ms at 250 mm/s: with lines at 60 mm/s too, the delay is right."""

    def late(made: Scan) -> tuple[DelayEstimate, float]:
        passes, truth = simulate(made, np.random.default_rng(3))
        moved = [replace(one, path=one.path - 0.2 * np.sign(one.speed)) for one in passes]
        return estimate_delay(moved, resolution=2.0, spacing=4.0), truth

    steady = scan(corroded(6), lines=24)
    found, truth = late(steady)
    assert abs(found.delay - truth) > 0.5 * MS
    speeds = steady.speeds * np.where(np.arange(24) % 12 < 6, 1.0, 0.24)
    found, truth = late(replace(steady, speeds=speeds))
    assert found.low < truth < found.high
    assert abs(found.delay - truth) < 0.5 * MS


def test_a_single_feature_decides_nothing() -> None:
    """One pair over one seam may agree by accident."""
    wall = seam(200.0, 0.0, np.random.default_rng(7))
    found, _ = estimate(scan(wall, lines=2))
    assert not found.sure


def test_to_and_fro_over_a_step() -> None:
    """Going to and fro over a step of a block shows the delay as a raster does."""

    def step(x: Floats, y: Floats) -> Floats:
        return np.where(x < 200, 12.7, 10.0) + 0 * y

    rows = np.zeros(16, np.int64)
    found, truth = estimate(scan(step, lines=16, speed=100.0, rows=rows))  # type: ignore[arg-type]
    assert found.sure, found.reason
    assert found.delay == pytest.approx(truth, abs=0.5 * MS)


@pytest.mark.parametrize(
    ("change", "reason", "needs"),
    [
        (
            lambda p: p[::2],
            "no two passes over the same or neighbouring lines",
            "pass over the same",
        ),
        (
            lambda p: p[:0],
            "no two passes over the same or neighbouring lines",
            "pass over the same",
        ),
    ],
)
def test_lines_run_one_way_show_nothing(
    change: Callable[[list[object]], list[object]], reason: str, needs: str
) -> None:
    """Without passes in both directions the interval is unbounded, and that is what is needed."""
    passes, _ = simulate(scan(corroded(1)), np.random.default_rng(0))
    found = estimate_delay(change(passes), resolution=2.0)  # type: ignore[arg-type]
    assert (found.pairs, found.sure, found.low, found.high) == (0, False, -math.inf, math.inf)
    assert found.reason.startswith(reason)
    assert found.needs.startswith(needs)


def test_pieces_of_lines_that_do_not_meet_show_nothing() -> None:
    """On the two sides of an obstruction there is nothing to compare."""
    passes, _ = simulate(scan(corroded(1)), np.random.default_rng(0))
    apart = [replace(one, path=one.path + 600.0 * (one.row % 2)) for one in passes]
    found = estimate_delay(apart, resolution=2.0)
    assert (found.sure, found.low, found.high) == (False, -math.inf, math.inf)
    assert found.reason == "no two passes in pairs overlap"


def test_estimate_follows_from_the_readings_alone() -> None:
    """The same passes give the same estimate, to the last bit."""
    passes, _ = simulate(scan(corroded(3), jitter=0.006), np.random.default_rng(0))
    assert estimate_delay(passes, resolution=2.0) == estimate_delay(list(passes), resolution=2.0)
