"""Alarms tick by tick: when each is raised, changed and ended, at its limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from swathe.pipeline.alarms.coupling import Instead
from swathe.pipeline.alarms.register import Alarm, AlarmInputs, AlarmRegister
from swathe.pipeline.checks.register import Check, CheckPhase
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind, AlarmSettings

S = 1_000_000_000

QUIET = AlarmInputs(
    now=0,
    open_gaps=0,
    too_fast=False,
    limit=None,
    ports={},
    coupled=None,
    instead=Instead.READINGS_AFTER_ECHO,
    scan=None,
    index=None,
    overdue=False,
    due=None,
    failed={"": None},
)


class Bench:
    """A register that is evaluated at times in seconds."""

    def __init__(self, **settings: Any) -> None:
        self.register = AlarmRegister(AlarmSettings(**settings))

    def at(self, seconds: float, **inputs: Any) -> None:
        """Evaluate at a time, all quiet but for `inputs`."""
        self.register.evaluate(replace(QUIET, now=round(seconds * S), **inputs))

    @property
    def alarms(self) -> list[Alarm]:
        """All alarms."""
        return self.register.alarms


def test_alarm_ends_two_seconds_after_its_reason() -> None:
    """It ends at the time its reason ended, once that is two seconds ago."""
    bench = Bench()
    bench.at(10, open_gaps=1)
    (alarm,) = bench.alarms
    assert (alarm.kind, alarm.detail, alarm.since) == (AlarmKind.GAPS, "one open", 10 * S)
    bench.at(20)
    bench.at(21.9)
    assert alarm.until is None
    bench.at(22)
    assert alarm.until == 20 * S
    bench.at(30, open_gaps=1)
    assert [one.since for one in bench.alarms] == [10 * S, 30 * S]


def test_reason_that_returns_in_time_is_the_same_alarm() -> None:
    """The two seconds begin again with each return of the reason."""
    bench = Bench()
    bench.at(10, open_gaps=1)
    bench.at(20)
    bench.at(21, open_gaps=1)
    bench.at(22)
    bench.at(23.9)
    (alarm,) = bench.alarms
    assert alarm.until is None
    bench.at(24)
    assert alarm.until == 22 * S


def test_gaps_follow_their_number() -> None:
    """The text follows the count, from the number that the station file sets."""
    bench = Bench(gaps=2)
    bench.at(1, open_gaps=1)
    assert bench.alarms == []
    bench.at(2, open_gaps=2)
    (alarm,) = bench.alarms
    assert alarm.detail == "2 open"
    bench.register.take_changed()
    bench.at(3, open_gaps=5)
    assert alarm.detail == "5 open"
    assert bench.register.take_changed() == [alarm]
    bench.at(4, open_gaps=5)
    assert bench.register.take_changed() == []


def test_more_gaps_than_were_acknowledged_are_another_alarm() -> None:
    """The number that was acknowledged falls with the gaps that close."""
    bench = Bench()
    bench.at(1, open_gaps=3)
    bench.register.acknowledge(1, "A. Kern", 1)
    bench.at(2, open_gaps=3)
    bench.at(3, open_gaps=1)
    assert len(bench.alarms) == 1
    bench.at(4, open_gaps=2)
    first, second = bench.alarms
    assert (first.until, second.since, second.acknowledged_by) == (4 * S, 4 * S, "")
    bench.at(5, open_gaps=9)
    assert len(bench.alarms) == 2  # nobody acknowledged the second one


def test_acknowledge_is_of_an_alarm_that_is_there_and_once() -> None:
    """A number without an alarm changes nothing; the first who acknowledges is kept."""
    bench = Bench()
    bench.at(1, open_gaps=1, ports={"gauge": ("lost", "unplugged")})
    bench.at(9, open_gaps=1, ports={"gauge": ("lost", "unplugged")})
    assert len(bench.alarms) == 2
    bench.register.take_changed()
    for number in (0, -1, 3):
        bench.register.acknowledge(number, "A. Kern", 10)
    assert [alarm.acknowledged_by for alarm in bench.alarms] == ["", ""]
    assert bench.register.take_changed() == []
    bench.register.acknowledge(2, "A. Kern", 10)
    bench.register.acknowledge(2, "B. Rot", 11)
    assert [alarm.acknowledged_by for alarm in bench.alarms] == ["", "A. Kern"]
    assert bench.alarms[1].acknowledged == 10
    assert bench.register.take_changed() == [bench.alarms[1]]


@pytest.mark.parametrize(("now", "count"), [(12.9, 0), (13.0, 1)])
def test_coupling_lost_after_its_time(now: float, count: int) -> None:
    """Three seconds after the last echo, at the position of the probe, since the last echo."""
    bench = Bench()
    bench.at(now, coupled=10 * S, scan=5.0, index=None)
    assert len(bench.alarms) == count
    if count:
        (alarm,) = bench.alarms
        assert (alarm.since, alarm.scan, alarm.index) == (10 * S, (5.0, 5.0), None)
        assert alarm.detail == "readings without echo: check couplant and probe"


@pytest.mark.parametrize(
    ("instead", "kind"),
    [
        (Instead.NOTHING, None),
        (Instead.BYTES, AlarmKind.ECHOLESS),
        (Instead.READINGS, AlarmKind.ECHOLESS),
        (Instead.READINGS_AFTER_ECHO, AlarmKind.COUPLING),
    ],
)
def test_missing_echo_is_the_alarm_of_what_comes_instead(
    instead: Instead, kind: AlarmKind | None
) -> None:
    """Coupling is lost where there was an echo; without any evidence there is no alarm."""
    bench = Bench()
    bench.at(13, coupled=10 * S, instead=instead)
    assert [alarm.kind for alarm in bench.alarms] == ([] if kind is None else [kind])


def test_condition_begins_when_what_it_rests_on_began() -> None:
    """Host times of conditions are converted to UTC; without one it begins with its instant."""
    bench = Bench()
    silent = Condition(AlarmKind.SILENT, "gauge", 4 * S, holds=True, detail="a", since=1 * S)
    period = Condition(AlarmKind.PERIOD, "gauge", 4 * S, holds=True, detail="b")
    bench.at(105, conditions=(silent, period), utc_offset=100 * S)
    assert [alarm.since for alarm in bench.alarms] == [101 * S, 105 * S]


def test_too_fast_after_its_time_keeps_its_text() -> None:
    """Half a second of scanning too fast; the limit of that moment stays in the text."""
    bench = Bench()
    bench.at(1.0, too_fast=True, limit=200.0, scan=1.0, index=2.0)
    bench.at(1.4, too_fast=True, limit=200.0, scan=3.0, index=2.0)
    assert bench.alarms == []
    bench.at(1.5, too_fast=True, limit=180.4, scan=7.0, index=2.0)
    (alarm,) = bench.alarms
    text = "go slower than 180 mm/s, or cells are skipped"
    assert (alarm.detail, alarm.since) == (text, 1 * S)
    assert (alarm.scan, alarm.index) == ((7.0, 7.0), (2.0, 2.0))
    bench.at(1.6, too_fast=True, limit=100.0)
    assert alarm.detail == text


def test_too_fast_for_moments_is_none() -> None:
    """Two moments of less than half a second do not add up."""
    bench = Bench()
    for k in range(6):
        bench.at(k / 2, too_fast=True, limit=200.0)
        bench.at(k / 2 + 0.3)
    assert bench.alarms == []


def test_ports_are_alarms_of_their_own() -> None:
    """Each device has its alarm after two seconds, with state and reason, and its own end."""
    bench = Bench()
    lost = {"gauge": ("lost", "unplugged"), "encoder": ("waiting", ""), "third": ("open", "")}
    bench.at(1, ports=lost)
    bench.at(2.9, ports=lost)
    assert bench.alarms == []
    bench.at(3, ports=lost)
    assert [(alarm.device, alarm.detail, alarm.since) for alarm in bench.alarms] == [
        ("gauge", "lost: unplugged", S),
        ("encoder", "waiting", S),
    ]
    bench.at(4, ports={**lost, "gauge": ("open", "")})
    bench.at(6, ports={**lost, "gauge": ("open", "")})
    assert [alarm.until for alarm in bench.alarms] == [4 * S, None]


def test_overdue_check_since_it_was_due() -> None:
    """An overdue check is an alarm since its due time."""
    bench = Bench()
    bench.at(10, due=9 * S)
    assert bench.alarms == []
    bench.at(11, overdue=True, due=9 * S)
    (alarm,) = bench.alarms
    assert (alarm.kind, alarm.since) == (AlarmKind.CHECK_OVERDUE, 9 * S)
    assert alarm.detail == "check the calibration on the block"


def test_failed_check_since_it_ended() -> None:
    """A failed check is an alarm since its end; another failed one changes the text."""
    bench = Bench()
    first = Check(3, CheckPhase.AFTER, "A. Kern", "steps", 8 * S, 0.1, (), passed=False)
    bench.at(10, failed={"": first})
    (alarm,) = bench.alarms
    assert (alarm.since, alarm.detail) == (8 * S, "check 3: readings are suspect")
    bench.at(11, failed={"": replace(first, number=4, time=10 * S)})
    assert bench.alarms == [alarm]
    assert alarm.detail == "check 4: readings are suspect"


def test_failed_check_of_one_of_several_probes_has_an_alarm_of_its_own() -> None:
    """It names the probe, and ends when that one passes, whatever another one does."""
    bench = Bench()
    made = {
        name: Check(
            number, CheckPhase.AFTER, "K", "B", 8 * S, 0.1, (), passed=False, probe_name=name
        )
        for number, name in enumerate(("left", "right"), 1)
    }
    bench.at(10, failed={**made, "mid": None})
    assert [alarm.detail for alarm in bench.alarms] == [
        "check 1 of probe left: its readings are suspect",
        "check 2 of probe right: its readings are suspect",
    ]
    for time in (11, 14):
        bench.at(time, failed={**made, "left": None, "mid": None})
    assert [alarm.until for alarm in bench.alarms] == [11 * S, None]


def test_end_of_a_run_ends_only_what_is_of_a_run() -> None:
    """Coupling, speed and ports end with a run; gaps and checks outlast it."""
    bench = Bench(too_fast=0, port_lost=0)
    failed = Check(1, CheckPhase.AFTER, "A. Kern", "steps", 0, 0.1, (), passed=False)
    bench.at(
        10,
        open_gaps=1,
        coupled=0,
        too_fast=True,
        limit=1.0,
        ports={"gauge": ("lost", "")},
        overdue=True,
        due=1,
        failed={"": failed},
    )
    assert len(bench.alarms) == 6
    bench.register.end_run(11 * S)
    lasting = {alarm.kind for alarm in bench.alarms if alarm.until is None}
    assert lasting == {AlarmKind.GAPS, AlarmKind.CHECK_OVERDUE, AlarmKind.CHECK_FAILED}
    ended = {alarm.until for alarm in bench.alarms if alarm.until is not None}
    assert ended == {11 * S}


def test_reason_that_began_in_an_earlier_run_begins_again() -> None:
    """Two seconds without a port in one run and one in the next are not three."""
    bench = Bench()
    lost = {"gauge": ("lost", "")}
    bench.at(1, ports=lost)
    bench.register.end_run(2 * S)
    bench.at(3.5, ports=lost)
    assert bench.alarms == []
    bench.at(5.5, ports=lost)
    (alarm,) = bench.alarms
    assert alarm.since == round(3.5 * S)


def test_kinds_that_are_off_raise_nothing_and_end_all_the_same() -> None:
    """A kind that a later run switches off is raised no more; one that lasts ends."""
    bench = Bench()
    bench.at(1, open_gaps=1)
    bench.register.settings = AlarmSettings(off=(AlarmKind.GAPS,))
    bench.at(2)
    bench.at(4)
    assert [alarm.until for alarm in bench.alarms] == [2 * S]
    bench.at(5, open_gaps=1)
    assert len(bench.alarms) == 1


def test_next_due_is_when_an_alarm_is_raised_or_ends_by_itself() -> None:
    """From the begin of its reason, whatever is evaluated meanwhile; the earliest of all."""
    bench = Bench(too_fast="500 ms", port_lost="2 s")
    assert bench.register.next_due is None
    bench.at(10, too_fast=True, ports={"gauge": ("lost", "")})
    assert bench.register.next_due == 10.5 * S
    bench.at(10.2, too_fast=True, ports={"gauge": ("lost", "")})
    assert bench.register.next_due == 10.5 * S
    bench.at(10.5, too_fast=True, ports={"gauge": ("lost", "")})
    assert len(bench.alarms) == 1
    assert bench.register.next_due == 12 * S
    bench.at(11, ports={"gauge": ("open", "")})
    assert bench.register.next_due == 13 * S
    bench.at(13)
    assert bench.alarms[0].until == 11 * S
    assert bench.register.next_due is None


def test_end_of_a_run_leaves_nothing_due() -> None:
    """Timers of a run do not reach into the next one."""
    bench = Bench(too_fast="500 ms")
    bench.at(10, too_fast=True, open_gaps=1)
    bench.register.end_run(11 * S)
    assert bench.register.next_due is None
