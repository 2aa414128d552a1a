"""Positions that jump, through the pipeline: nothing is misplaced, an alarm, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

from daemon.handmade import (
    MS,
    START,
    Motion,
    feed,
    line,
    opened,
    port,
    station,
    station_text,
    ticks,
)
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange
from swathe.pipeline import Alarm, Pipeline
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import AlarmKind

LENGTH = 300.0
Counter = Callable[[int, int], int]
"""What the device sends for the true count after so many ms."""


@dataclass
class Seen:
    """Keeps what was placed."""

    times: list[int] = field(default_factory=list)
    scan: list[float] = field(default_factory=list)
    flight: list[float] = field(default_factory=list)

    def placed(self, placed: Placed) -> None:
        """Keep when and where."""
        self.times += placed.readings["time"].tolist()
        self.scan += placed.scan.tolist()
        self.flight += placed.readings["time_of_flight"].tolist()

    def moved_along(self, path: ProbePath) -> None:
        """Keep nothing of the path."""

    def delay_changed(self) -> None:
        """Nothing depends on it."""


def true_place(ms: int) -> float:
    """Return the place of a probe that goes to and fro at 100 mm/s, mm; it rests about 2 s."""
    ms = min(ms, 1900) if ms < 2100 else ms - 200
    return abs((ms / 1000 * 100.0 + 100.0) % (2 * LENGTH) - LENGTH)


def entries(
    counter: Counter,
    last: int,
    *,
    first: int = 0,
    silent: tuple[int, int] = (0, 0),
    every: int = 10,
) -> Iterator[Entry]:
    """Yield what an encoder with a faulty counter and a gauge send, every 10 and 5 ms."""
    motion = Motion(lambda ms: (true_place(ms),), lambda _: 10.0, first, last, sample_ms=every)
    for entry in motion.entries():
        if isinstance(entry, Chunk) and entry.port == "encoder":
            ms = (entry.time - START) // MS
            if silent[0] <= ms < silent[1]:
                continue
            count = counter(ms, round(10 * true_place(ms)))
            yield Chunk(entry.time, "encoder", line(f"P,{ms},{count}"))
        else:
            yield entry


def survey(*parts: Iterable[Entry], scan: str = "", encoder: str = "") -> tuple[Pipeline, Seen]:
    """Return a survey whose axis has default limits, and what it placed."""
    seen = Seen()
    text = station_text(scan_length=LENGTH, scan=scan, encoder=encoder, free=False)
    made = Pipeline(station(text), observer=seen)
    feed(made, [opened(text)])
    for part in parts:
        feed(made, part)
    return made, seen


def misplaced(seen: Seen) -> float:
    """Return how far off the worst reading was placed, mm."""
    times = (np.array(seen.times) - START) // MS
    true = np.array([true_place(int(ms)) for ms in times])
    return float(np.abs(np.array(seen.scan) - true).max())


def alarms(pipeline: Pipeline) -> list[Alarm]:
    """Return the alarms about a lost position."""
    return [alarm for alarm in pipeline.alarms.alarms if alarm.kind is AlarmKind.POSITION]


def last_placed(seen: Seen) -> int:
    """Return when the last placed reading was taken, ms after the start."""
    return (max(seen.times) - START) // MS


def count_from_zero(at: int) -> Counter:
    """Return a counter that starts again at zero after so many ms."""
    zero = round(10 * true_place(at))
    return lambda ms, count: count - zero if ms >= at else count


def reference(ms: int, **known: float) -> Mark:
    """Return a reference that an operator gives."""
    return Mark(START + ms * MS, MarkKind.REFERENCED, {**known, "by": "K"})


@pytest.mark.parametrize("off", [0, 200, 3000])
@pytest.mark.parametrize("encoder", ["", "on_change = true"])
def test_counter_that_starts_at_zero(off: int, encoder: str) -> None:
    """However long the device was off: no reading is misplaced, and an alarm shows the way back."""
    at = 800
    scan = entries(count_from_zero(at + off), at + off + 2500, silent=(at, at + off))
    made, seen = survey(scan, ticks(at + off + 2550, at + off + 3000), encoder=encoder)
    if not (encoder and off):  # else its silence is a rest, by its own description
        assert misplaced(seen) < 1.0
    assert last_placed(seen) < at + off + 10
    assert made.position[0] is None
    (alarm,) = alarms(made)
    assert (alarm.until, alarm.device) == (None, "scan")
    assert "scan position lost at 121." in alarm.detail
    assert "'reference' with scan" in alarm.detail


def test_reference_is_the_way_back() -> None:
    """After it readings count again, at their places; the alarm is over."""
    at = 800
    counter = count_from_zero(at)
    made, seen = survey(
        entries(counter, 1999),
        [reference(2000, scan=true_place(2000))],
        entries(counter, 4000, first=2001),
        ticks(4050, 4600),
    )
    assert misplaced(seen) < 1.0
    assert last_placed(seen) > 3950
    assert not [time for time in seen.times if START + 820 * MS < time < START + 1990 * MS]
    (alarm,) = alarms(made)
    assert alarm.until is not None
    assert made.position[0] == pytest.approx(true_place(4000), abs=0.1)


def test_index_mark_is_the_way_back() -> None:
    """Where the axis has one, passing it makes the position known."""
    counter = count_from_zero(800)

    def marked() -> Iterator[Entry]:
        for entry in entries(counter, 4000):
            if isinstance(entry, Chunk) and entry.port == "encoder":
                ms = (entry.time - START) // MS
                body = entry.data.decode().partition("*")[0]
                yield Chunk(entry.time, "encoder", line(f"{body},{int(ms == 2000)}"))
            else:
                yield entry

    text = station_text(
        scan_length=LENGTH, scan=f'index_mark_at = "{true_place(2000)} mm"', free=False
    ).replace(
        '{is="counts", axis="scan"}', '{is="counts", axis="scan"}, {is="index_mark", axis="scan"}'
    )
    seen = Seen()
    made = Pipeline(station(text), observer=seen)
    feed(made, [opened(text), *marked(), *ticks(4050, 4600)])
    assert misplaced(seen) < 1.0
    assert last_placed(seen) > 3900
    (alarm,) = alarms(made)
    assert alarm.until is not None
    assert "pass the index mark, or" in alarm.detail


@pytest.mark.parametrize("keeps", [False, True])
@pytest.mark.parametrize("zero", [False, True])
def test_port_that_was_lost(keeps: bool, zero: bool) -> None:
    """An incremental encoder that was away may have lost counts; one that keeps them has not."""
    set_by = 10_000 if zero else 0  # 1 m, farther than a probe gets in 0.3 s
    made, seen = survey(
        entries(lambda _, count: count, 1000),
        [port(1001, "encoder", "lost", "pulled"), port(1300, "encoder", "open")],
        entries(lambda _, count: count - set_by, 3000, first=1301),
        ticks(3050, 3500),
        scan="keeps_count = true" if keeps else "",
    )
    assert misplaced(seen) < 1.0
    if keeps and not zero:
        assert alarms(made) == []
        assert last_placed(seen) > 2950
        return
    (alarm,) = alarms(made)
    assert alarm.until is None
    assert last_placed(seen) <= 1000
    expected = "the counter jumped by" if keeps else "its port was lost and opened again"
    assert expected in alarm.detail


def test_no_reading_is_placed_while_the_port_of_the_encoder_was_lost() -> None:
    """However short that was: the probe may have turned meanwhile, and its counts do not show it."""
    made, seen = survey(
        entries(lambda _, count: count, 3000, silent=(1001, 1100)),
        ticks(3050, 3500),
        scan="keeps_count = true",
    )
    between = [t for t in seen.times if START + 1005 * MS < t < START + 1095 * MS]
    assert between  # within the bracket of two samples, on a port that stayed open

    def lost() -> Iterator[Entry]:
        yield from entries(lambda _, count: count, 1000)
        yield port(1001, "encoder", "lost", "pulled")
        yield port(1100, "encoder", "open")
        yield from entries(lambda _, count: count, 3000, first=1001, silent=(1001, 1100))

    made, seen = survey(
        sorted(lost(), key=lambda entry: entry.time),
        ticks(3050, 3500),
        scan="keeps_count = true",
    )
    assert not [t for t in seen.times if START + 1005 * MS < t < START + 1095 * MS]
    assert alarms(made) == []
    assert last_placed(seen) > 2950


def test_clock_that_started_again_is_a_device_that_did() -> None:
    """Its counter is at the same place by chance only: the position is lost all the same."""

    def restarted() -> Iterator[Entry]:
        for entry in entries(lambda _, count: count, 3000):
            if (
                isinstance(entry, Chunk)
                and entry.port == "encoder"
                and entry.time >= START + 1000 * MS
            ):
                ms = (entry.time - START) // MS
                count = round(10 * true_place(ms))
                yield Chunk(entry.time, "encoder", line(f"P,{ms - 1000},{count}"))
            else:
                yield entry

    made, seen = survey(restarted(), ticks(3050, 3500))
    assert last_placed(seen) <= 1000
    (alarm,) = alarms(made)
    assert "the clock of its device started again" in alarm.detail
    made, seen = survey(restarted(), ticks(3050, 3500), scan="keeps_count = true")
    assert alarms(made) == []
    assert misplaced(seen) < 1.0


@pytest.mark.parametrize("bits", [16, 32])
def test_one_percent_of_random_counts(bits: int) -> None:
    """Nothing is set, nothing is misplaced, and next to nothing is unplaced."""
    rng = np.random.default_rng(bits)

    def random(_: int, count: int) -> int:
        half = 1 << (bits - 1)
        return int(rng.integers(-half, half)) if rng.random() < 0.01 else count

    made, seen = survey(entries(random, 12_000), ticks(12_050, 12_500))
    assert misplaced(seen) < 1.0
    assert len(seen.times) > 2350
    assert made.tallies["encoder"].glitches > 5
    assert alarms(made) == []


def test_decimal_counter_that_is_not_described() -> None:
    """From 99999 to 0 is a jump: lost, and not 10 m behind."""
    made, seen = survey(
        entries(lambda _, count: (count + 97_500) % 100_000, 6000),
        ticks(6050, 6500),
        scan="zero_count = 97500",
    )
    assert misplaced(seen) < 1.0
    (alarm,) = alarms(made)
    assert "the counter jumped by -9,99" in alarm.detail


def test_decimal_counter_that_is_described() -> None:
    """With its period it is unrolled; the shorter way is taken, both ways over the border."""
    seen = Seen()
    text = station_text(scan_length=LENGTH, scan="zero_count = 97500", free=False)
    text = text.replace('axis="scan"}', 'axis="scan", rolls_over_after=100000}')
    made = Pipeline(station(text), observer=seen)
    counter: Counter = lambda _, count: (count + 97_500) % 100_000  # noqa: E731
    feed(made, [opened(text), *entries(counter, 8000), *ticks(8050, 8500)])
    assert misplaced(seen) < 1.0
    assert len(seen.times) > 1550
    assert alarms(made) == []


def test_burst_that_ends_is_found_again() -> None:
    """The alarm ends by itself; what was read meanwhile is unplaced."""
    made, seen = survey(
        entries(lambda ms, count: 40_000 if 1000 <= ms < 1200 else count, 3000), ticks(3050, 3500)
    )
    assert misplaced(seen) < 1.0
    assert last_placed(seen) > 2950
    (alarm,) = alarms(made)
    assert alarm.until is not None
    times = (np.array(seen.times) - START) // MS
    assert not ((times > 990) & (times < 1200)).any()


def test_reference_before_any_sample_after_the_port_was_lost() -> None:
    """The first sample of an encoder that sends on change is where the probe was put."""
    made, seen = survey(
        entries(lambda _, count: count, 1000),
        [port(1001, "encoder", "lost"), port(1300, "encoder", "open")],
        [reference(1990, scan=true_place(2000))],
        entries(lambda _, count: count + 7000, 4000, first=2000),
        ticks(4050, 4500),
    )
    assert misplaced(seen) < 1.0
    assert last_placed(seen) > 3950
    assert alarms(made)[0].until is not None


def test_port_that_opens_for_the_first_time_loses_nothing() -> None:
    """Before a first sample there was no position that could be lost."""
    changes: list[PortChange] = [
        port(1, "encoder", "lost", "no such file"),
        port(50, "encoder", "open"),
    ]
    made, seen = survey(changes, entries(lambda _, count: count, 1000, first=60), ticks(1050, 1500))
    assert alarms(made) == []
    assert len(seen.times) > 170


def test_position_that_was_set_is_lost_in_the_next_run() -> None:
    """Its counts alone do not give it; a reference does again."""
    shift = 700
    counter: Counter = lambda _, count: count + shift  # noqa: E731
    text = station_text(scan_length=LENGTH, free=False)
    made, seen = survey(
        entries(counter, 1899),
        ticks(1900, 1990),
        [reference(2000, scan=true_place(2000))],
        [Mark(START + 2050 * MS, MarkKind.ENDED, {"status": "incomplete", "reason": ""})],
        [opened(text, time=START + 2060 * MS)],
        entries(counter, 4000, first=2061),
        ticks(4050, 4500),
    )
    assert made.position[0] is None
    assert not [time for time in seen.times if time > START + 2060 * MS]
    assert "set in the run before" in alarms(made)[-1].detail
    assert alarms(made)[-1].until is None
