"""Alarms: raised from the journal alone, acknowledged by name, over when their reason is gone."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.handmade import (
    MS,
    START,
    UTC,
    Motion,
    ended,
    feed,
    opened,
    port,
    run,
    station_text,
    ticks,
)
from swathe.journal import Entry, Mark, MarkKind, Tick
from swathe.pipeline import Alarm, Pipeline
from swathe.pipeline.alarms.coupling import Instead
from swathe.pipeline.alarms.register import AlarmInputs, AlarmRegister
from swathe.station import AlarmKind, AlarmSettings

ALARMS = "\n[alarms]\n{}\n"


def text(alarms: str = "", *, survey: str = "alert_below = '8 mm'", **other: Any) -> str:
    """Return a station file with a table of alarms."""
    return station_text(survey=survey, **other) + ALARMS.format(alarms)


OPEN = [port(0, "gauge", "open"), port(0, "encoder", "open")]


def there(first: int, wall: Any, *, last: int | None = None, mm_s: float = 20) -> Motion:
    """Return a way that begins `first` ms after the start at -1 mm."""
    end = first + round(22 / mm_s * 1000) if last is None else last
    return Motion(lambda ms: ((ms - first) * mm_s / 1000 - 1,), wall, first, end)


def of(pipeline: Pipeline, kind: AlarmKind) -> list[Alarm]:
    """Return the alarms of a kind."""
    return [alarm for alarm in pipeline.alarms.alarms if alarm.kind is kind]


def seen(ms: int, number: int, by: str = "A. Kern") -> Mark:
    """Return the mark of an acknowledgement."""
    return Mark(START + ms * MS, MarkKind.ALARM_ACKNOWLEDGED, {"alarm": number, "by": by})


def hole(at: float) -> Any:
    """Return a wall that has no echo over 1.5 mm from 20 mm/s."""
    return lambda ms: "N" if abs(ms / 50 - 1 - at) < 0.75 else 10.0


def test_quiet_scan_raises_none() -> None:
    """A sound pass is no reason for anything."""
    pipeline = run(text(), OPEN, there(0, lambda _: 10.0).entries(), ticks(1101, 1500))
    assert pipeline.alarms.alarms == []


def test_gaps_raised_at_their_count_and_over_when_closed() -> None:
    """The alarm comes with the count that was asked for, tells how many, and ends with them."""
    two = text("gaps = 2")
    pipeline = run(two, OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
    assert pipeline.progress().open_gaps == 1
    assert of(pipeline, AlarmKind.GAPS) == []
    one = text()
    pipeline = run(one, OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
    (alarm,) = of(pipeline, AlarmKind.GAPS)
    assert (alarm.number, alarm.until, alarm.detail) == (1, None, "one open")
    feed(pipeline, there(1400, lambda _: 10.0).entries())
    feed(pipeline, ticks(2501, 5500))
    assert alarm.until is not None
    assert UTC + 1600 * MS <= alarm.until <= UTC + 2600 * MS


def test_gaps_that_closed_just_before_the_end_leave_no_alarm() -> None:
    """A run that ends, or is killed, before an alarm has lingered ends it when its reason ended."""
    for last in ([ended(2600)], [], [Tick(START + 2600 * MS)]):
        pipeline = run(text(), OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
        (alarm,) = of(pipeline, AlarmKind.GAPS)
        feed(pipeline, there(1400, lambda _: 10.0).entries())
        assert pipeline.progress().open_gaps == 0
        assert alarm.until is None  # for two seconds the reason may return
        feed(pipeline, [*last, opened(text(), time=START + 9000 * MS)])
        assert alarm.until is not None
        assert UTC + 1600 * MS <= alarm.until <= UTC + 2600 * MS


def test_alarm_of_gaps_states_how_many_the_run_leaves() -> None:
    """At the end what was never reached is missing as well."""
    pipeline = run(text(), OPEN, there(0, hole(5), last=600).entries(), ticks(601, 800))
    (alarm,) = of(pipeline, AlarmKind.GAPS)
    assert alarm.detail == "one open"
    feed(pipeline, [ended(810)])
    count = pipeline.coverage.gaps.open_count
    assert count > 1
    assert (alarm.detail, alarm.until) == (f"{count} open", None)


def test_alarm_of_gaps_is_over_where_the_end_leaves_none() -> None:
    """The last ones may close with what is settled at the end itself: a covered run has no alarm."""
    pipeline = run(text(), OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
    (alarm,) = of(pipeline, AlarmKind.GAPS)
    pipeline.alarms.take_changed()
    pipeline.alarms.count_gaps_at_end(0, UTC + 1310 * MS)
    assert alarm.until == UTC + 1310 * MS
    assert pipeline.alarms.take_changed() == [alarm]


def test_gaps_more_than_were_seen_are_another_alarm() -> None:
    """An acknowledged alarm stays; one more gap is news again."""
    pipeline = run(text(), OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
    feed(pipeline, [seen(1310, 1), seen(1311, 1, "B. Rot"), *ticks(1320, 1400)])
    (alarm,) = of(pipeline, AlarmKind.GAPS)
    assert (alarm.acknowledged_by, alarm.acknowledged) == ("A. Kern", UTC + 1310 * MS)
    pipeline = run(text(), OPEN, there(0, hole(3), last=500).entries(), [seen(510, 1)])
    assert of(pipeline, AlarmKind.GAPS)[0].acknowledged_by == "A. Kern"
    late = Motion(lambda ms: (ms / 50 - 1,), hole(14), 511, 1100)
    feed(pipeline, late.entries())
    feed(pipeline, ticks(1101, 1300))
    first, second = of(pipeline, AlarmKind.GAPS)
    assert first.until is not None
    assert (second.until, second.acknowledged_by, second.detail) == (None, "", "2 open")


def test_coupling_lost_for_longer_than_asked() -> None:
    """No echo for the time asked raises it, with the place; an echo ends it after a while."""
    short = text("coupling_lost = '300 ms'")

    def wall(ms: int) -> float | str:
        return "N" if 200 < ms < 700 else 10.0

    pipeline = run(short, OPEN, there(0, wall).entries(), ticks(1101, 3200))
    (alarm,) = of(pipeline, AlarmKind.COUPLING)
    assert abs(alarm.since - (UTC + 200 * MS)) <= 10 * MS
    assert alarm.scan is not None
    assert alarm.scan[0] == pytest.approx(9.0, abs=1.5)
    pipeline = run(short, OPEN, there(0, lambda ms: "N" if 200 < ms < 400 else 10.0).entries())
    assert of(pipeline, AlarmKind.COUPLING) == []


@pytest.mark.parametrize(
    ("wall", "kind", "detail"),
    [
        (
            "N",
            AlarmKind.ECHOLESS,
            "readings without echo, none had one in this run: check probe, its cable, gate and couplant",
        ),
        (
            None,
            AlarmKind.SILENT,
            "no bytes from gauge for 0.3 s since its port was opened: check its power, cable and baud rate",
        ),
    ],
)
def test_gauge_without_any_echo(wall: str | None, kind: AlarmKind, detail: str) -> None:
    """A gauge that never gave an echo is an alarm after the same time; an echo ends it."""
    short = text("coupling_lost = '300 ms'\nsilent = '300 ms'")
    pipeline = run(short, OPEN, there(0, lambda _: wall, last=290).entries())
    assert [one.kind for one in pipeline.alarms.alarms if one.kind is not AlarmKind.GAPS] == []
    feed(pipeline, there(291, lambda _: wall, last=600).entries())
    (alarm,) = [one for one in pipeline.alarms.alarms if one.kind is not AlarmKind.GAPS]
    assert (alarm.kind, alarm.since, alarm.detail, alarm.until) == (kind, UTC, detail, None)
    feed(pipeline, there(601, lambda _: 10.0, last=3000).entries())
    assert alarm.until is not None
    assert UTC + 600 * MS <= alarm.until <= UTC + 700 * MS


def test_dead_battery_is_a_silent_device_and_no_lost_coupling() -> None:
    """Echoes, then nothing: since the last byte, and nobody is sent to look at the couplant."""
    wall = lambda ms: 10.0 if ms < 800 else None  # noqa: E731
    pipeline = run(text(), OPEN, there(0, wall, last=8000, mm_s=2).entries())
    assert {alarm.kind for alarm in pipeline.alarms.alarms} <= {AlarmKind.SILENT, AlarmKind.GAPS}
    (alarm,) = of(pipeline, AlarmKind.SILENT)
    assert (alarm.device, alarm.since) == ("gauge", UTC + 795 * MS)
    assert alarm.detail == "no bytes from gauge for 3 s: check power and cable"


def test_coupling_is_not_missed_in_a_pause() -> None:
    """A probe that rests by arrangement has lost nothing."""
    short = text("coupling_lost = '300 ms'")
    rest = Mark(START + 300 * MS, MarkKind.PAUSED, {"by": "A", "because": ""})
    go = Mark(START + 1000 * MS, MarkKind.RESUMED, {"by": "A"})
    pipeline = run(short, OPEN, there(0, lambda _: 10.0, last=299).entries(), [rest])
    feed(pipeline, [*ticks(310, 990), go, *there(1001, lambda _: "N", last=1250).entries()])
    assert of(pipeline, AlarmKind.COUPLING) == []
    feed(pipeline, there(1251, lambda _: "N", last=1400).entries())
    assert len(of(pipeline, AlarmKind.COUPLING)) == 1


def test_too_fast_for_longer_than_asked() -> None:
    """A probe that outruns its readings is told so, once."""
    # A reading each 5 ms and cells of 1 mm: 200 mm/s is the limit.
    wide = text("too_fast = '100 ms'", scan_length=400)
    fast = Motion(lambda ms: (ms * 0.25,), lambda _: 10.0, 0, 1500)
    pipeline = run(wide, OPEN, fast.entries())
    (alarm,) = of(pipeline, AlarmKind.TOO_FAST)
    assert "200 mm/s" in alarm.detail
    slow = Motion(lambda ms: (ms * 0.1,), lambda _: 10.0, 0, 1500)
    assert of(run(wide, OPEN, slow.entries()), AlarmKind.TOO_FAST) == []


@pytest.mark.parametrize("wall", ["N", None])
def test_stroke_in_the_air_is_not_too_fast(wall: str | None) -> None:
    """The probe is lifted and carried back fast, whether the gauge sends readings or is silent."""
    wide = text(scan_length=400)

    def place(ms: int) -> tuple[float]:
        return (min(ms, 2000) * 0.1 - max(ms - 2000, 0) * 0.5,)

    motion = Motion(place, lambda ms: 10.0 if ms < 2000 else wall, 0, 2400)
    pipeline = run(wide, OPEN, motion.entries(), ticks(2450, 3500))
    limit = pipeline.progress().speed_limit
    assert limit is not None
    assert 190.0 < limit <= 200.0  # with room for the jitter of the readings' times
    assert of(pipeline, AlarmKind.TOO_FAST) == []
    coupled = Motion(place, lambda _: 10.0, 0, 3000)
    assert len(of(run(wide, OPEN, coupled.entries()), AlarmKind.TOO_FAST)) == 1


def test_thin_places_one_alarm_each() -> None:
    """Two thin places far apart are two alarms, with borders and the least; a wide one is one."""
    wide = text(scan_length=400)

    def wall(ms: int) -> float:
        at = ms / 10
        if 49.6 <= at < 54.4:
            return 7.0 if at < 52 else 6.5
        return 5.5 if 349.6 <= at < 350.4 else 10.0

    motion = Motion(lambda ms: (ms / 10,), wall, 0, 4000)
    pipeline = run(wide, OPEN, motion.entries())
    first, second = of(pipeline, AlarmKind.THIN)
    assert (first.scan, first.index) == ((49.5, 54.5), (-0.5, 0.5))
    assert first.detail == "6.50 mm, below 8 mm"
    assert second.scan == (349.5, 350.5)
    assert second.detail == "5.50 mm, below 8 mm, to confirm"  # one cell, read in one pass
    assert (first.until, second.until) == (None, None)


def test_thin_place_in_an_excluded_zone_is_over() -> None:
    """Where nothing is asked for there is nothing to look at."""
    thin = there(0, lambda ms: 4.0 if 5.6 <= ms / 50 - 1 < 6.4 else 10.0)
    pipeline = run(text(), OPEN, thin.entries(), ticks(1101, 1300))
    (alarm,) = of(pipeline, AlarmKind.THIN)
    detail = {"name": "lug", "scan": (6.0, 6.0), "index": None, "by": "A"}
    feed(pipeline, [Mark(START + 1400 * MS, MarkKind.ZONE_EXCLUDED, detail)])
    assert alarm.until == UTC + 1400 * MS


def test_thinner_than_was_seen_is_another_alarm() -> None:
    """A place that was acknowledged and gets thinner is news."""
    pipeline = run(text(), OPEN, there(0, lambda _: 7.5, last=400).entries())
    (alarm,) = of(pipeline, AlarmKind.THIN)
    feed(pipeline, [seen(405, alarm.number)])
    thinner = Motion(lambda ms: (ms / 50 - 1,), lambda _: 5.0, 406, 600)
    feed(pipeline, thinner.entries())
    assert [one.acknowledged_by for one in of(pipeline, AlarmKind.THIN)] == ["A. Kern", ""]
    assert alarm.until is not None


def test_port_lost_and_back() -> None:
    """A port that is away longer than asked is named, and the alarm ends when it is back."""
    short = text("port_lost = '200 ms'")
    pipeline = run(short, OPEN, ticks(0, 500), [port(510, "gauge", "lost", "unplugged")])
    feed(pipeline, ticks(520, 690))
    assert of(pipeline, AlarmKind.PORT) == []
    feed(pipeline, ticks(700, 1000))
    (alarm,) = of(pipeline, AlarmKind.PORT)
    assert (alarm.device, alarm.detail) == ("gauge", "lost: unplugged")
    feed(pipeline, [port(1010, "gauge", "open"), *ticks(1020, 4000)])
    assert alarm.until is not None


def test_reason_that_comes_back_soon_is_the_same_alarm() -> None:
    """A loose plug is one alarm, not one a second."""
    short = text("port_lost = '50 ms'")
    changes = [port(500 * k, "gauge", ("lost", "open")[k % 2]) for k in range(2, 12)]
    both: list[Entry] = [*OPEN, *changes, *ticks(1, 6000)]
    entries = sorted(both, key=lambda entry: entry.time)
    assert len(of(run(short, entries), AlarmKind.PORT)) == 1


def check(ms: int) -> list[Mark]:
    """Return a check without an echo, which fails."""
    detail = {"phase": "interval", "by": "A", "tolerance": 0.1, "block": "B"}
    step = {"thickness": 5.0, "begin": START + ms * MS, "end": START + (ms + 1) * MS}
    return [
        Mark(START + ms * MS, MarkKind.CHECK_BEGUN, detail),
        Mark(START + (ms + 2) * MS, MarkKind.CHECK_STEP, step),
        Mark(START + (ms + 3) * MS, MarkKind.CHECK_ENDED, {}),
    ]


def test_check_failed_until_it_is_overridden() -> None:
    """A failed check is an alarm until it does not count any more."""
    pipeline = run(text(), OPEN, check(10), ticks(20, 100))
    (alarm,) = of(pipeline, AlarmKind.CHECK_FAILED)
    assert alarm.detail.startswith("check 1")
    override = Mark(
        START + 110 * MS, MarkKind.CHECK_OVERRIDDEN, {"check": 1, "by": "B", "because": "x"}
    )
    feed(pipeline, [override, *ticks(120, 3000)])
    assert alarm.until is not None


def test_kinds_that_are_off_are_not_raised() -> None:
    """The station file may do without some."""
    off = text("off = ['gaps open', 'below alert']")
    thin = there(0, lambda ms: "N" if 200 < ms < 300 else 4.0)
    pipeline = run(off, OPEN, thin.entries(), ticks(1101, 1300))
    assert pipeline.progress().open_gaps == 1
    assert pipeline.alarms.alarms == []


def test_end_of_run_ends_what_is_of_a_run() -> None:
    """A port that was away at the end is no alarm of the next run; a thin place still is."""
    short = text("port_lost = '50 ms'")
    pipeline = run(short, OPEN, there(0, lambda _: 4.0).entries(), [port(1110, "gauge", "lost")])
    feed(pipeline, ticks(1120, 1300))
    feed(pipeline, [ended(START + 1400 * MS), opened(short, time=START + 9000 * MS)])
    assert of(pipeline, AlarmKind.PORT)[0].until == UTC + 1400 * MS
    assert of(pipeline, AlarmKind.THIN)[0].until is None


@pytest.mark.parametrize(("second", "alarms"), [("gaps = 2", 0), ("gaps = 1", 1)])
def test_next_run_has_its_own_conditions(second: str, alarms: int) -> None:
    """The station file of a later run states its conditions, whatever those of the first were."""
    pipeline = run(text("gaps = 3"), OPEN, there(0, hole(5)).entries(), ticks(1101, 1300))
    feed(pipeline, [opened(text(second), time=START + 9000 * MS)])
    feed(pipeline, ticks(9050, 9100))
    assert pipeline.progress().open_gaps == 1
    assert len(of(pipeline, AlarmKind.GAPS)) == alarms


def at_tick(now: int, **changed: Any) -> AlarmInputs:
    """Return what the alarms depend on, at a tick so many ms after 0, with all well."""
    well: dict[str, Any] = {
        "open_gaps": 0, "too_fast": False, "limit": 50.0, "ports": {}, "coupled": None, "instead": Instead.READINGS_AFTER_ECHO,
        "scan": 1.0, "index": None, "overdue": False, "due": None, "failed": {},
    }  # fmt: skip
    return AlarmInputs(now=now * MS, **{**well, **changed})


def test_text_follows_its_reason_but_for_the_speed_limit() -> None:
    """A count and a port's state are the newest; a limit that varies at each tick stays as raised."""
    register = AlarmRegister(AlarmSettings(too_fast=0, port_lost=0))
    register.evaluate(at_tick(0, too_fast=True, open_gaps=1, ports={"gauge": ("lost", "pulled")}))
    assert [alarm.detail for alarm in register.take_changed()] == [
        "one open",
        "go slower than 50 mm/s, or cells are skipped",
        "lost: pulled",
    ]
    register.evaluate(
        at_tick(50, too_fast=True, limit=40.0, open_gaps=2, ports={"gauge": ("waiting", "")})
    )
    assert [alarm.detail for alarm in register.take_changed()] == ["2 open", "waiting"]
    assert register.alarms[1].detail == "go slower than 50 mm/s, or cells are skipped"


@pytest.mark.parametrize(
    ("settings", "reason", "after"),
    [
        ({"too_fast": "100 ms"}, {"too_fast": True}, 100),
        ({"port_lost": "200 ms"}, {"ports": {"gauge": ("lost", "")}}, 200),
        ({"coupling_lost": "300 ms"}, {"coupled": 0}, 300),
        ({"gaps": 3}, {"open_gaps": 3}, 0),
    ],
)
def test_alarm_is_raised_at_its_limit(
    settings: dict[str, str | int], reason: dict[str, Any], after: int
) -> None:
    """A reason that has existed for just the configured time raises the alarm, 1 ms less does not."""
    register = AlarmRegister(AlarmSettings.model_validate(settings))
    register.evaluate(at_tick(0, **reason))
    if after:
        register.evaluate(at_tick(after - 1, **reason))
        assert register.alarms == []
        register.evaluate(at_tick(after, **reason))
    (alarm,) = register.alarms
    assert (alarm.since, alarm.until) == (0, None)


def test_alarm_ends_when_its_reason_was_absent_for_2_s() -> None:
    """It ended when the reason did; a reason that returns 1 ms earlier continues it."""
    register = AlarmRegister(AlarmSettings(too_fast=0))
    register.evaluate(at_tick(0, too_fast=True))
    register.evaluate(at_tick(1000))
    register.evaluate(at_tick(2999))
    register.evaluate(at_tick(3000, too_fast=True))
    assert [alarm.until for alarm in register.alarms] == [None]
    register.evaluate(at_tick(4000))
    register.evaluate(at_tick(6000))
    assert [alarm.until for alarm in register.alarms] == [4000 * MS]


def test_acknowledged_alarm_is_found_by_what_it_is_about() -> None:
    """Placed again, the alarm of the mark's number may be another one."""
    register = AlarmRegister(AlarmSettings())
    for kind, device, scan in (
        (AlarmKind.GAPS, "", None),
        (AlarmKind.PORT, "gauge", None),
        (AlarmKind.THIN, "", (10.0, 14.0)),
        (AlarmKind.THIN, "", (30.0, 34.0)),
        (AlarmKind.GAPS, "", None),
    ):
        register.raise_alarm(kind, "", since=0, device=device, scan=scan)

    def meant(number: int, about: str, device: str = "", scan: object = None) -> int | None:
        detail = {"alarm": number, "about": about, "device": device, "scan": scan, "index": None}
        return register.alarm_meant(detail)

    assert meant(1, "gaps open") == 1
    assert meant(2, "gaps open") == 5  # the newest one
    assert meant(1, "port lost", "gauge") == 2
    assert meant(1, "port lost", "encoder") is None
    assert meant(4, "below alert", scan=[12.0, 16.0]) == 3  # 4 is elsewhere
    assert meant(4, "below alert", scan=[50.0, 52.0]) is None
    register.acknowledge(5, "K", 0)
    assert meant(2, "gaps open") == 1
    assert register.alarm_meant({"alarm": 4, "by": "K"}) == 4  # of an earlier version
