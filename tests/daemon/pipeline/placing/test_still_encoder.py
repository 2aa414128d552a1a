"""Encoders that send nothing, or the same counts, while the thickness under the probe changes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.arrays import Floats
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.still_encoder import StillEncoderWatch, WatchedAxis
from swathe.station import AlarmKind

S = 1_000_000_000
BIN = S // 2

Wall = Callable[[Floats, np.random.Generator], Floats]
"""Returns the thickness read at times in s, mm."""


def rough(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a corroded wall under a probe at 50 mm/s: waves of 20 to 200 mm, and noise."""
    place = 50.0 * seconds
    waves = rng.uniform(20.0, 200.0, 8)
    wall = sum(0.1 * np.sin(2 * np.pi * place / wave + rng.uniform(0, 6)) for wave in waves)
    return np.asarray(10.0 + wall + rng.normal(0, 0.01, seconds.size))


def smooth(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a machined plate: nothing but noise."""
    return 10.0 + rng.normal(0, 0.05, seconds.size)


def drifting(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a plate that cools under a resting probe, at little noise."""
    return 10.0 - 0.025 * seconds + rng.normal(0, 0.002, seconds.size)


def stepping(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a gauge that takes another half wave of the echo every 7 s, at rest."""
    return 10.0 + 0.3 * (np.floor(seconds / 7) % 2) + rng.normal(0, 0.005, seconds.size)


def coarse(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a gauge that shows tenths, between two of which the thickness is."""
    return np.round(10.05 + rng.normal(0, 0.01, seconds.size), 1)


def wandering(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a probe held by hand at rest: the couplant's film wanders by some hundredths."""
    steps = rng.normal(0, 1, seconds.size)
    film = np.convolve(steps, np.ones(100) / 100, mode="same")
    return 10.0 + 0.2 * film + rng.normal(0, 0.005, seconds.size)


def filmy(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a film that comes and goes by 0.16 mm every two seconds, at little noise."""
    return 10.0 + 0.08 * np.sin(np.pi * seconds) + rng.normal(0, 0.005, seconds.size)


def wobbling(seconds: Floats, rng: np.random.Generator) -> Floats:
    """Return a probe that rocks on a pipe: by 0.3 mm, at much noise."""
    return 10.0 + 0.15 * np.sin(4 * seconds) + rng.normal(0, 0.05, seconds.size)


class Bench:
    """A watch of one axis, 0.15 mm being the same, whose port opened at 0 s."""

    def __init__(self, *, on_change: bool = False, axes: tuple[str, ...] = ("scan",)) -> None:
        axis = {
            name: WatchedAxis("encoder", name, tolerance=0.15, on_change=on_change) for name in axes
        }
        self.watch = StillEncoderWatch(axis)
        self.watch.port_changed("encoder", 0, is_open=True)

    def positions(self, seconds: Floats, mm: Floats | float, axis: str = "scan") -> None:
        """Let samples arrive."""
        at = np.rint(seconds * S).astype(np.int64)
        self.watch.add_positions(axis, np.broadcast_to(np.asarray(mm, float), at.shape), at)

    def bytes(self, seconds: Floats) -> None:
        """Let bytes of the encoder arrive."""
        self.watch.add_bytes("encoder", np.rint(seconds * S).astype(np.int64))

    def wall(self, seconds: Floats, thickness: Floats | float, *, valid: Any = True) -> None:
        """Let readings arrive."""
        made = readings(np.rint(seconds * S).astype(np.int64), 1.0)
        made["thickness"], made["valid"] = thickness, valid
        self.watch.add_readings(made, made["time"])

    def changes(self, seconds: float) -> list[Condition]:
        """Return the changes of conditions until a time."""
        self.watch.advance(round(seconds * S))
        return self.watch.conditions


def every(step: float, first: float, last: float) -> Floats:
    """Return times in s, the first one included."""
    return np.arange(first, last, step)


def scan(wall: Wall, seed: int, seconds: float = 40.0) -> list[Condition]:
    """Return what a probe with an encoder that never moves raises."""
    bench = Bench()
    rng = np.random.default_rng(seed)
    times = every(0.02, 0.01, seconds)
    bench.positions(times, np.where(rng.random(times.size) < 0.1, 5.1, 5.0))
    bench.wall(times, wall(times, rng))
    return bench.changes(seconds + 1)


@pytest.mark.parametrize("seed", range(10))
def test_counts_that_rest_while_the_wall_changes(seed: int) -> None:
    """After ten seconds, found three times in a row, each a second later; it lasts."""
    changes = scan(rough, seed)
    (change,) = changes
    assert (change.kind, change.of, change.holds) == (AlarmKind.ENCODER, "encoder", True)
    assert 12.5 * S <= change.known <= 25 * S
    since = round(change.known / S)
    assert change.detail.startswith(f"counts of scan unchanged for {since - 1} s while the") or (
        change.detail.startswith(f"counts of scan unchanged for {since} s while the")
    )
    assert change.detail.endswith("mm: check wheel and cable")


@pytest.mark.parametrize("wall", [smooth, drifting, stepping, coarse, wandering, filmy, wobbling])
def test_probe_at_rest_raises_nothing(wall: Wall) -> None:
    """Noise, drift, another half wave, tenths, films of couplant and rocking are no motion."""
    assert [change for seed in range(20) for change in scan(wall, seed, 60.0)] == []


def test_counts_that_change_end_it() -> None:
    """It ends with the half second in which they move; then ten seconds are needed again."""
    bench = Bench()
    rng = np.random.default_rng(3)
    times = every(0.02, 0.01, 40.0)
    bench.positions(times, np.where(times < 30, 5.0, 6.0))
    bench.wall(times, rough(times, rng))
    raised, ended = bench.changes(41)
    assert (raised.holds, ended.holds, ended.known) == (True, False, 30.5 * S)


def test_moving_counts_raise_nothing() -> None:
    """A probe that moves by more than a count in ten seconds has an encoder that works."""
    bench = Bench()
    times = every(0.02, 0.01, 60.0)
    bench.positions(times, np.floor(times / 9.0))
    bench.wall(times, rough(times, np.random.default_rng(1)))
    assert bench.changes(61) == []


def test_other_axis_that_moves_explains_the_change() -> None:
    """A probe that moves along the index axis rests on the scan axis."""
    bench = Bench(axes=("scan", "index"))
    times = every(0.02, 0.01, 60.0)
    bench.positions(times, 5.0)
    bench.positions(times, 50 * times, "index")
    bench.wall(times, rough(times, np.random.default_rng(1)))
    assert bench.changes(61) == []


def test_encoder_that_sends_on_change_may_be_stuck_but_not_silent() -> None:
    """Its silence is rest; rest while the wall changes is none."""
    bench = Bench(on_change=True)
    bench.positions(np.array([0.1]), 5.0)
    times = every(0.02, 0.01, 30.0)
    bench.wall(times, rough(times, np.random.default_rng(1)))
    (change,) = bench.changes(31)
    assert change.detail.startswith("counts of scan unchanged for ")


def test_bytes_without_position_while_echoes_come() -> None:
    """Two seconds without a sample; the next sample ends it."""
    bench = Bench()
    bench.positions(every(0.01, 0.0, 3.0), 5.0)
    bench.positions(every(0.01, 9.0, 10.0), 5.0)
    bench.bytes(every(0.01, 0.0, 10.0))
    bench.wall(every(0.02, 0.0, 10.0), 10.0)
    raised, ended = bench.changes(11)
    assert (raised.known, raised.holds, raised.of) == (5 * S, True, "encoder")
    assert raised.detail == (
        "bytes but no position from encoder for 2 s while the gauge sends echoes: check its baud "
        "rate, description and faults"
    )
    assert (ended.known, ended.holds) == (9 * S, False)


def test_encoder_without_bytes_is_silent_and_not_still() -> None:
    """Nothing is known of where it is: that is the alarm of a silent device."""
    bench = Bench()
    bench.positions(every(0.01, 0.0, 3.0), 5.0)
    bench.bytes(every(0.01, 0.0, 4.0))
    bench.wall(every(0.02, 0.0, 10.0), 10.0)
    # Its last bytes, from 3 to 4 s, made no position: reported at 5 s, until they are 2 s ago.
    raised, ended = bench.changes(11)
    assert (raised.known, ended.known, ended.holds) == (5 * S, 6 * S, False)
    other = Bench()
    other.positions(every(0.01, 0.0, 3.0), 5.0)
    other.bytes(every(0.01, 0.0, 3.0))
    other.wall(every(0.02, 0.0, 10.0), 10.0)
    assert other.changes(11) == []


def test_encoder_that_never_sent_a_position_is_reported_from_the_opening_of_its_port() -> None:
    """A port that is not open has an alarm of its own."""
    bench = Bench()
    bench.bytes(every(0.01, 0.0, 20.0))
    bench.watch.port_changed("encoder", 3 * S, is_open=False)
    bench.wall(every(0.02, 0.0, 20.0), 10.0)
    assert bench.changes(8) == []
    bench.watch.port_changed("encoder", 8 * S, is_open=True)
    (raised,) = bench.changes(12)
    assert raised.known == 10 * S
    bench.watch.port_changed("encoder", 12 * S, is_open=False)
    assert bench.changes(12)[1:] == [Condition(AlarmKind.ENCODER, "encoder", 12 * S, holds=False)]


def test_silence_without_echoes_raises_nothing() -> None:
    """Nobody scans."""
    bench = Bench()
    bench.positions(every(0.01, 0.0, 3.0), 5.0)
    bench.wall(every(0.02, 0.0, 20.0), 10.0, valid=False)
    assert bench.changes(21) == []


def test_silent_encoder_is_not_stuck() -> None:
    """One alarm at a time: its text changes, and the counts are compared again from then on."""
    bench = Bench()
    times = every(0.02, 0.01, 60.0)
    bench.bytes(times)
    before, after = times[times < 20], times[times > 30]
    bench.positions(before, 5.0)
    bench.positions(after, 5.0)
    bench.wall(times, rough(times, np.random.default_rng(2)))
    texts = [change.detail.split()[0] if change.holds else "" for change in bench.changes(61)]
    assert texts == ["counts", "bytes", "", "counts"]


def test_stuck_encoder_that_falls_silent_is_not_stuck_any_more() -> None:
    """Its counts are not the same: there are none."""
    bench = Bench()
    times = every(0.02, 0.01, 60.0)
    bench.positions(times[times < 20], 5.0)
    bench.bytes(times[times < 20])
    bench.wall(times, rough(times, np.random.default_rng(2)))
    raised, ended = bench.changes(61)
    assert (raised.detail.split()[0], ended.holds, ended.known) == ("counts", False, 22 * S)


def test_set_position_begins_again() -> None:
    """A reference sets another position: that is no motion, and no rest either."""
    bench = Bench()
    times = every(0.02, 0.01, 20.0)
    wall = rough(times, np.random.default_rng(2))
    early = times < 9
    bench.positions(times[early], 5.0)
    bench.wall(times[early], wall[early])
    assert bench.changes(9) == []
    bench.watch.restart()
    bench.positions(times[~early], 8.0)
    bench.wall(times[~early], wall[~early])
    assert bench.changes(20) == []


def test_nothing_depends_on_batches() -> None:
    """The same data in pieces of any size give the same changes at the same times."""
    times = every(0.013, 0.01, 50.0)
    rng = np.random.default_rng(4)
    place = np.where((times > 25) & (times < 30), times, 5.0)
    wall = rough(times, rng)
    found = []
    for size in (1, 37, 5_000):
        bench = Bench()
        for begin in range(0, times.size, size):
            piece = slice(begin, begin + size)
            bench.positions(times[piece], place[piece])
            bench.wall(times[piece], wall[piece])
            bench.changes(float(times[piece][-1]))
        found.append(list(bench.changes(51)))
    assert len(found[0]) == 3
    assert found[0] == found[1] == found[2]


def test_bad_positions_are_left_out() -> None:
    """A position that is no number is none."""
    bench = Bench()
    made: NDArray[np.float64] = np.full(100, np.nan)
    bench.positions(every(0.01, 0.0, 1.0), made)
    bench.bytes(every(0.01, 0.0, 4.0))
    bench.wall(every(0.02, 0.0, 4.0), 10.0)
    assert [change.holds for change in bench.changes(5)] == [True]
