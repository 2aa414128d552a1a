"""Values that a gauge repeats for longer than its noise allows."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.arrays import Floats
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.repeated_values import BIN_NS, RepeatedValues
from swathe.station import AlarmKind

RATE = 100


def values(seed: int, *, resolution: float, noise: float, rough: float, count: int) -> Floats:
    """Return what a gauge shows: at rest for 10 s, then under way over a wall."""
    rng = np.random.default_rng(seed)
    under_way = np.maximum(np.arange(count) - 10 * RATE, 0)
    wall = 10.0 + rng.uniform(0, resolution) + rough * np.sin(under_way / 9.0)
    return np.round((wall + rng.normal(0, noise, count)) / resolution) * resolution


def raised(
    thickness: Floats,
    amplitude: Floats | None = None,
    cut: int = 10_000,
    *,
    rests: range = range(3, 21),
) -> list[Condition]:
    """Return the changes that readings at 100 a second make, the first 10 s of them at rest."""
    watch = RepeatedValues("gauge")
    known = np.arange(1, thickness.size + 1) * (1_000_000_000 // RATE)
    made = readings(known.tolist(), thickness.tolist())
    made["time_of_flight"] = np.nan
    if amplitude is not None:
        made["amplitude"] = amplitude
    looked = 0
    for begin in range(0, thickness.size, cut):
        some = slice(begin, begin + cut)
        watch.add(made[some], known[some])
        last = int(known[some][-1] - 1) // BIN_NS
        watch.advance([k for k in range(looked + 1, last + 1) if k in rests], last)
        looked = last
    watch.advance([], 10_000)
    return watch.conditions


@pytest.mark.slow
@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.1])
@pytest.mark.parametrize("noise", [0.0, 0.001, 0.005, 0.02, 0.05])
@pytest.mark.parametrize("rough", [0.0, 0.3])
def test_noise_alone_is_never_blamed(resolution: float, noise: float, rough: float) -> None:
    """Coarse or fine, quiet or not, over a flat or a rough wall."""
    for seed in range(30):
        found = values(seed, resolution=resolution, noise=noise, rough=rough, count=12_000)
        assert raised(found) == []


def test_quiet_gauge_that_comes_to_rest_is_not_blamed() -> None:
    """Without noise a value stays as long as the probe does, however much it changed before."""
    for seed in range(30):
        found = values(seed, resolution=0.01, noise=0.0, rough=0.5, count=3_000)
        found[2_000:] = found[2_000]
        assert raised(found) == []


@pytest.mark.parametrize(("resolution", "noise"), [(0.001, 0.005), (0.01, 0.02), (0.05, 0.08)])
@pytest.mark.parametrize("length", [50, 100, 500])
@pytest.mark.parametrize("rough", [0.0, 0.3])
def test_held_value_is_reported_until_another_one_comes(
    resolution: float, noise: float, length: int, rough: float
) -> None:
    """With the value, how often it came, and the remedy; at the end of a half second."""
    for seed in range(20):
        found = values(seed, resolution=resolution, noise=noise, rough=rough, count=4_000)
        end = 2_000 + 100  # that of a half second
        found[end - length : end] = found[end - length - 1]
        begun, ended = raised(found)
        assert (begun.kind, begun.of) == (AlarmKind.HELD, "gauge")
        assert begun.detail.startswith(f"{found[end - length]:g} mm came ")
        assert (begun.holds, ended.holds) == (True, False)
        assert end - length + 41 <= begun.known * RATE / 1e9 <= end
        assert ended.known * RATE / 1e9 <= end + 60


def test_changing_amplitude_is_no_held_value() -> None:
    """Identical in all that is sent: a flat plate in a coarse gauge has a restless amplitude."""
    found = values(1, resolution=0.01, noise=0.02, rough=0.3, count=4_000)
    found[2_000:2_100] = found[1_999]
    restless = np.random.default_rng(2).integers(40, 60, found.size).astype(np.float64)
    assert raised(found, restless) == []
    restless[2_000:2_100] = restless[1_999]
    assert len(raised(found, restless)) == 2


def test_held_values_at_rest_are_no_noise() -> None:
    """What was held while the probe rested does not make the gauge a quiet one afterwards."""
    found = values(3, resolution=0.01, noise=0.02, rough=0.3, count=4_000)
    found[600:900] = found[599]
    found[2_000:2_100] = found[1_999]
    assert [change.holds for change in raised(found)] == [True, False, True, False]


@pytest.mark.parametrize("cut", [1, 7, 130])
def test_nothing_depends_on_batches(cut: int) -> None:
    """The same readings in pieces make the same changes."""
    found = values(4, resolution=0.01, noise=0.02, rough=0.3, count=3_000)
    found[2_020:2_120] = found[2_019]
    found[2_300:2_360] = found[2_299]
    assert raised(found, cut=cut) == raised(found)
    assert len(raised(found)) >= 2


def test_gauge_that_was_not_seen_at_rest_is_not_blamed() -> None:
    """What changes under way may be the wall."""
    found = values(1, resolution=0.01, noise=0.02, rough=0.3, count=4_000)
    found[2_000:2_100] = found[1_999]
    assert raised(found, rests=range(0)) == []
    assert len(raised(found)) == 2
