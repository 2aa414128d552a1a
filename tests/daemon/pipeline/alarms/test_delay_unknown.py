"""The alarm of an unknown delay: when it may displace readings by more than half a cell."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from daemon.handmade import MS, START, Motion, opened, station, station_text
from swathe.journal import Mark, MarkKind, Tick
from swathe.pipeline import EstimatedDelay, MeasuredDelay, Pipeline
from swathe.pipeline.alarms.delay_unknown import DelayWatch
from swathe.station import AlarmKind, DelayPair, DelaySetting
from swathe.store import record_of

PAIR = DelayPair("gauge", "encoder", DelaySetting.UNKNOWN, ("gauge",))
INSTANTS = np.array([50, 100, 150, 200]) * MS
PORTS = 'port = "ports/gauge"', 'port = "ports/encoder"'


def estimate(low: float | None, high: float | None, needs: str = "") -> EstimatedDelay:
    """Return an estimate that is between two ends, ms."""
    low_ns, high_ns = (None if end is None else round(end * MS) for end in (low, high))
    return EstimatedDelay(0, low_ns, high_ns, 4, needs=needs)


def watch(known: EstimatedDelay | None, in_force: float = 0.0) -> DelayWatch:
    """Return what watches cells of 1 mm."""
    return DelayWatch(PAIR, in_force=round(in_force * MS), cell=1.0, estimate=known)


def changes(watched: DelayWatch, *speeds: float) -> list[tuple[int, bool]]:
    """Return the changes at instants with these speeds: ms, and whether it holds."""
    found = watched.follow(INSTANTS[: len(speeds)], np.array(speeds))
    return [(change.known // MS, change.holds) for change in found]


@pytest.mark.parametrize(
    ("known", "in_force", "speed", "holds"),
    [
        (estimate(-1, 5.1), 0.0, 100.0, True),  # 0.51 mm of cells of 1 mm
        (estimate(-1, 4.9), 0.0, 100.0, False),
        (estimate(-5.1, 1), 0.0, 100.0, True),
        (estimate(40, 45), 0.0, 100.0, True),  # known well, and not applied
        (estimate(40, 45), 42.0, 100.0, False),
        (estimate(36, 45), 42.0, 100.0, True),
        (estimate(None, 1), 0.0, 100.0, True),  # it may be anything
        (estimate(-1, None), 0.0, 3.0, True),
        (estimate(None, None), 0.0, 0.0, False),  # at rest it displaces nothing
        (None, 0.0, 500.0, False),  # nobody has tried to know
    ],
)
def test_condition_holds_beyond_half_a_cell(
    known: EstimatedDelay | None, in_force: float, speed: float, holds: bool
) -> None:
    """By the end of the interval that is farther from the delay that is applied."""
    found = changes(watch(known, in_force), speed)
    assert found == ([(50, True)] if holds else [])


def test_condition_changes_with_the_speed_and_with_the_estimate() -> None:
    """At the instants from which it is known; a new estimate that still holds has another text."""
    watched = watch(estimate(-10, 10))
    assert changes(watched, 0.0, 51.0, 60.0, 49.0) == [(100, True), (200, False)]
    assert changes(watched, 51.0, 51.0) == [(50, True)]
    watched.take(estimate(-20, 10))
    (change,) = watched.follow(INSTANTS, np.full(4, 50.0))
    assert (change.holds, change.of, change.kind) == (True, "gauge", AlarmKind.DELAY)
    assert change.detail == (
        "readings may be off by up to 1.0 mm at 50 mm/s; give device.gauge.delay, or write 'auto' "
        "there"
    )
    watched.take(estimate(None, 10, "more lines"))
    (change,) = watched.follow(INSTANTS, np.full(4, 250.0))
    assert change.detail == "each 10 ms is 2.5 mm at 250 mm/s; more lines"
    watched.take(estimate(-1, 1))
    assert changes(watched, 50.0) == [(50, False)]


def with_delay(gauge: str | None, encoder: str | None = "0 ms") -> str:
    """Return a station file with these delays."""
    text = station_text(scan_length=25)
    for port, delay in zip(PORTS, (gauge, encoder), strict=True):
        if delay is not None:
            text = text.replace(port, f'{port}\ndelay = "{delay}"')
    return text


def scan(
    text: str, *marks: tuple[int, MarkKind, EstimatedDelay], applied: int | None = None
) -> Pipeline:
    """Return a survey of 10 mm/s with marks at so many ms; a delay in ms may be applied."""
    delays = {}
    if applied is not None:
        delays["gauge"] = MeasuredDelay(applied * MS, (applied - 1) * MS, (applied + 1) * MS, 8)
    pipeline = Pipeline(station(text), delays=delays)
    pipeline.feed(opened(text))
    made = [Mark(START + ms * MS, kind, one.as_detail("gauge")) for ms, kind, one in marks]
    motion = Motion(lambda ms: (ms / 100,), lambda _: 10.0, 0, 2400)
    for entry in sorted([*motion.entries(), *made], key=lambda entry: entry.time):
        pipeline.feed(entry)
    pipeline.feed(Tick(START + 2450 * MS))
    return pipeline


WIDE, NARROW = estimate(-3, 95), estimate(-1, 1)


@pytest.mark.parametrize(
    ("text", "raised"),
    [
        (with_delay(None), True),
        (with_delay("0 ms", None), True),
        (with_delay("auto"), True),
        (with_delay("0 ms"), False),  # the user says so
    ],
)
def test_alarm_of_a_delay_that_is_not_given(text: str, raised: bool) -> None:
    """It is raised by the marks of the journal, so that a rebuild raises it at the same instant."""
    pipeline = scan(text, (1810, MarkKind.DELAY_ESTIMATED, WIDE))
    alarms = [alarm for alarm in pipeline.alarms.alarms if alarm.kind is AlarmKind.DELAY]
    assert [(alarm.since - pipeline.utc_offset - START) // MS for alarm in alarms] == (
        [1850] if raised else []
    )


def test_alarm_ends_once_the_measured_delay_is_applied() -> None:
    """In the state that is placed with it; in the one that is not, the delay is still wrong."""
    marks = ((1510, MarkKind.DELAY_ESTIMATED, WIDE), (1710, MarkKind.DELAY, estimate(69, 71)))
    late = scan(with_delay("auto"), *marks).alarms.alarms
    assert [alarm.until for alarm in late if alarm.kind is AlarmKind.DELAY] == [None]
    applied = scan(with_delay("auto"), *marks, applied=70)
    conditions = applied._alarm_evaluation._in_force
    assert [change.holds for change in conditions.values()] == [False]


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: scan(with_delay("9 ms")), "delay of gauge: 9 ms, given"),
        (
            lambda: scan(with_delay(None)),
            "delay of gauge: unknown, 0 ms applied, each 10 ms is 0.10 mm at 10 mm/s",
        ),
        (
            lambda: scan(with_delay("auto"), (1810, MarkKind.DELAY_ESTIMATED, WIDE)),
            "delay of gauge: not measured yet (-3.00 to 95.00 ms, 95 %), 0 ms applied, readings off "
            "by up to 0.94 mm at 10 mm/s",
        ),
        (
            lambda: scan(with_delay("auto"), (1810, MarkKind.DELAY, estimate(69, 71)), applied=70),
            "delay of gauge: 70 ms, measured in this survey (69.00 to 71.00 ms, 95 %)",
        ),
    ],
)
def test_record_has_how_the_delay_is_known(make: Callable[[], Pipeline], text: str) -> None:
    """Given, measured with its interval, or unknown with what that means."""
    ports = {port.device: port.applied_delay for port in record_of(make()).ports}
    assert ports["encoder"] is None
    assert ports["gauge"] is not None
    assert ports["gauge"].text == text
