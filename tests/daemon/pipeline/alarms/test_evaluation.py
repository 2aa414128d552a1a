"""What the alarms depend on from instant to instant: which instants require an evaluation, and why."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import station, station_text
from daemon.strategies import readings
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Grid
from swathe.pipeline.alarms.coupling import CouplingWatch
from swathe.pipeline.alarms.evaluation import AlarmEvaluation
from swathe.pipeline.alarms.register import Alarm
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.progress.progress import RunRates
from swathe.station import AlarmKind

MS = 1_000_000
NONE_YET = int(np.iinfo(np.int64).min)
UTC = 7_000_010 * MS  # no multiple of 50 ms: instants are those of the journal's time

TEXT = (
    station_text()
    + """
[alarms]
coupling_lost = "200 ms"
too_fast = "100 ms"
port_lost = "100 ms"
[verification]
interval = "1 s"
steps = ["10 mm"]
tolerance = "0.1 mm"
"""
)


def at(*ms: float) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return times in ns."""
    return np.array([round(time * MS) for time in ms], np.int64)


class Survey:
    """A survey at 200 readings/s, whose limit is 200 mm/s and whose warning begins at 160 mm/s."""

    def __init__(self, every: int = 5) -> None:
        made = station(TEXT)
        self.grid = Grid(scan=made.scan_axis, index=made.index_axis, rule=made.survey.cell_rule)
        self.coverage = Coverage(self.grid, stepped=True)
        self.suspect_cells = SuspectCells(self.grid, self.coverage)
        self.pauses = Pauses()
        self.tallies: dict[str, DeviceTally] = {}
        self.inputs = DeviceInputs(made, self.tallies)
        self.rates = RunRates()
        for tally in self.tallies.values():
            tally.state = "open"
        self.inputs.placer.add_readings(readings(at(*range(-100 * every, 1, every))))
        self.evaluation = AlarmEvaluation(
            made,
            grid=self.grid,
            coverage=self.coverage,
            suspect_cells=self.suspect_cells,
            slipped_cells=SlippedCells(self.grid, self.coverage),
            pauses=self.pauses,
            tallies=self.tallies,
        )
        self.evaluation.open_run(made, UTC)

    def keep_coupled(self, ms: int) -> None:
        """Let an echo arrive each 10 ms until `ms`: coupling is no subject of the test."""
        self.echo(*range(0, ms + 1, 10))

    def echo(self, *ms: float) -> None:
        """Let echoes arrive as they are read."""
        self.evaluation.add_readings(readings(at(*ms)), at(*ms))

    def no_echo(self, *ms: float) -> None:
        """Let readings without echo arrive as they are read."""
        self.evaluation.add_readings(readings(at(*ms), valid=[False] * len(ms)), at(*ms))

    def due(self, *ms: float, speeds: list[float] | None = None) -> list[float]:
        """Follow instants; return those that require an evaluation, in ms."""
        self.rates.speeds = np.array([0.0] * len(ms) if speeds is None else speeds)
        due: list[float] = self.evaluation.due(at(*ms), UTC, self.inputs, self.rates).tolist()
        return [time / MS for time in due]

    def evaluate(self, ms: float) -> list[Alarm]:
        """Evaluate at an instant; return the alarms that last."""
        self.evaluation.evaluate(round(ms * MS), UTC, self.inputs)
        return [alarm for alarm in self.evaluation.register.alarms if alarm.until is None]

    def pass_check(self, ms: float) -> None:
        """Let a check pass."""
        checks = self.suspect_cells.checks
        detail = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B"}
        checks.begin(detail)
        checks.add_readings(readings(at(ms), 10.0))
        checks.add_step({"thickness": 10.0, "begin": round(ms * MS), "end": round(ms * MS)})
        checks.end(round(ms * MS) + UTC)


@pytest.mark.parametrize("cut", [1, 2, 3, 6])
def test_last_echo_is_that_known_at_each_instant(cut: int) -> None:
    """An echo counts from its arrival on, at the very instant too, however many are asked at once."""
    watch = CouplingWatch()
    watch.add_readings(
        readings(at(10, 20, 30, 40), valid=[True, True, False, True]), at(50, 60, 60, 150)
    )
    instants = at(0, 50, 100, 149, 150, 200)
    found: list[int] = []
    for begin in range(0, instants.size, cut):
        found += watch.last_echo(instants[begin : begin + cut]).tolist()
    assert found == [NONE_YET, *at(10, 20, 20, 40, 40).tolist()]


def test_last_echo_of_two_devices_is_the_newest_of_both() -> None:
    """Each device is decoded by itself; their echoes count in the order in which they arrived."""
    watch = CouplingWatch()
    watch.add_readings(readings(at(10, 90, 160)), at(20, 100, 170))
    watch.add_readings(readings(at(40, 60)), at(50, 110))
    assert watch.last_echo(at(0, 50, 100)).tolist() == [NONE_YET, *at(40, 90).tolist()]
    watch.add_readings(readings(at(130)), at(140))
    # The echo at 60 ms arrived late, and is not the last one.
    assert watch.last_echo(at(120, 150, 200)).tolist() == at(90, 130, 160).tolist()
    assert watch.last_echo(at(250)).tolist() == at(160).tolist()
    assert watch.last_echo(at()).tolist() == []


def test_run_is_evaluated_at_its_first_instant_and_after_a_change_of_state() -> None:
    """A port, a pause or a check is evaluated at the next instant, once."""
    survey = Survey()
    assert survey.due() == []
    assert survey.due(50, 100) == [50]
    assert survey.due(150, 200) == []
    survey.evaluation.state_changed()
    assert survey.due() == []
    assert survey.due(250, 300) == [250]
    assert survey.due(350) == []


def test_speed_near_the_limit_is_due_where_it_begins_and_ends() -> None:
    """Four fifths of the limit is not too fast; what lasts across two calls is due once."""
    survey = Survey()
    survey.keep_coupled(400)
    survey.due(0)
    assert survey.due(50, 100, 150, speeds=[159.0, 161.0, 170.0]) == [100]
    assert survey.due(200, 250, speeds=[170.0, 170.0]) == []
    assert survey.due(300, 350, speeds=[159.0, 159.0]) == [300]


def test_speed_in_the_air_is_not_too_fast() -> None:
    """Once no echo came for the lateness and two usual intervals, no cell can be skipped."""
    survey = Survey()  # an interval of 5 ms, a lateness of 100 ms
    survey.echo(90)
    survey.due(50)
    assert survey.due(100, 150, 200, 250, speeds=[170.0] * 4) == [100, 250]
    assert not survey.evaluation.coupled
    survey.echo(440)
    assert survey.due(450, speeds=[170.0]) == [450]
    assert survey.evaluation.coupled


def test_speed_is_compared_with_the_limit_known_then() -> None:
    """Without a usual interval there is no limit and no alarm."""
    survey = Survey()
    survey.inputs = DeviceInputs(station(TEXT), survey.tallies)
    survey.due(0)
    assert survey.due(50, 100, speeds=[1e6, 1e6]) == []
    assert survey.evaluate(50) == []


def test_too_fast_is_raised_by_its_timer_with_the_limit_of_then() -> None:
    """The alarm's text has the limit, and its place is that known at the instant."""
    survey = Survey()
    survey.keep_coupled(400)
    survey.inputs.placer.scan.append(at(90, 140, 190), np.array([5.0, 6.0, 7.0]))
    survey.due(50, 100, 150, 200, speeds=[0.0, 170.0, 170.0, 0.0])
    assert survey.evaluate(50) == []
    assert survey.evaluate(100) == []
    next_due = survey.evaluation.register.next_due
    assert next_due == 200 * MS + UTC
    # The instant is one at which the probe is slow again: the reason ended before its time.
    assert survey.evaluate(200) == []
    survey.due(250, 300, 350, speeds=[170.0, 170.0, 170.0])
    assert survey.evaluate(250) == []
    (alarm,) = survey.evaluate(350)
    assert (alarm.kind, alarm.since) == (AlarmKind.TOO_FAST, 250 * MS + UTC)
    assert (alarm.detail, alarm.scan) == ("go slower than 200 mm/s, or cells are skipped", (7, 7))


def test_too_fast_alarm_has_the_position_known_at_its_instant() -> None:
    """In a long batch later samples are decoded already; they are not the place of the alarm."""
    survey = Survey()
    survey.keep_coupled(400)
    survey.inputs.placer.scan.append(at(90, 140, 190), np.array([5.0, 6.0, 7.0]))
    survey.due(0, 50, 100, 150, 200, speeds=[170.0] * 5)
    survey.evaluate(50)
    (alarm,) = survey.evaluate(150)
    assert alarm.scan == (6.0, 6.0)


def test_no_probe_is_too_fast_in_a_pause() -> None:
    """A probe that is carried is no scan."""
    survey = Survey()
    survey.keep_coupled(400)
    survey.due(0, 50, 100, 150, 200, speeds=[170.0] * 5)
    survey.pauses.begin(0, by="K", because="couplant")
    survey.evaluate(50)
    assert survey.evaluate(200) == []


def test_echo_is_lost_after_the_time_of_the_station_file() -> None:
    """It is due at the instant at which 200 ms have passed, and at the one of the next echo."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.no_echo(*range(60, 600, 10))
    assert survey.due(50, 100, 150, 200) == []
    assert survey.due(250, 300, 350) == [250]
    assert survey.evaluate(249) == []
    (alarm,) = survey.evaluate(250)
    assert (alarm.kind, alarm.since) == (AlarmKind.COUPLING, 50 * MS + UTC)
    assert survey.due(400) == []
    survey.echo(410)
    assert survey.due(450, 500) == [450]


def details(survey: Survey, ms: float) -> list[tuple[AlarmKind, str]]:
    """Return kind and text of the alarms that last at an instant."""
    return [(alarm.kind, alarm.detail) for alarm in survey.evaluate(ms)]


def test_first_echo_is_awaited_from_the_opening_of_the_port() -> None:
    """It is missing once the time of the station file has passed since the first instant."""
    survey = Survey()
    survey.tallies["gauge"].state = "waiting"
    assert survey.due(50, 100, 1000) == [50]
    assert survey.evaluate(1000) == []
    survey.tallies["gauge"].state = "open"
    survey.evaluation.state_changed()
    survey.no_echo(*range(1050, 1400, 10))
    assert survey.due(1050, 1200, 1250, 1300) == [1050, 1250]
    (alarm,) = survey.evaluate(1250)
    assert (alarm.kind, alarm.since) == (AlarmKind.ECHOLESS, 1050 * MS + UTC)


def test_alarm_distinguishes_what_comes_instead_of_an_echo() -> None:
    """Nothing, bytes, readings without echo: what came of late; a change is due."""
    survey = Survey()
    survey.due(50)
    assert survey.due(200, 250, 300) == [250]
    assert details(survey, 250) == []  # a silent gauge has an alarm of its own
    survey.evaluation.add_bytes("encoder", at(310))
    assert survey.due(350) == []
    survey.evaluation.add_bytes("gauge", at(360))
    assert survey.due(400, 450) == [400]
    garbled = "bytes but no reading: check the gauge's baud rate, description and faults"
    assert details(survey, 400) == [(AlarmKind.ECHOLESS, garbled)]
    survey.evaluation.add_readings(readings(at(460), valid=[False]), at(470))
    survey.evaluation.add_bytes("gauge", at(470))
    assert survey.due(500, 550) == [500]
    ((kind, text),) = details(survey, 500)
    assert kind is AlarmKind.ECHOLESS
    assert text.startswith("readings without echo, none had one in this run:")
    assert survey.due(700) == [700]
    survey.echo(701)
    survey.no_echo(940)
    assert survey.due(750, 900, 950) == [750, 950]
    lost = "readings without echo: check couplant and probe"
    assert (AlarmKind.COUPLING, lost) in details(survey, 950)


def test_last_readings_of_a_dying_gauge_are_no_lost_coupling() -> None:
    """One reading without echo, then silence: what matters is what comes when the time is over."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.no_echo(60)
    survey.evaluation.add_bytes("gauge", at(50, 60, 61))
    survey.due(100, 150, 200, 250, 300, 1000)
    for ms in (250, 300, 1000):
        assert survey.evaluate(ms) == []


def test_slow_gauge_has_not_lost_its_coupling_between_two_readings() -> None:
    """Its echoes are further apart than the time of the alarm; a reading without one shows it."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.due(100, 300, 500)
    assert survey.evaluate(500) == []
    survey.no_echo(550)
    assert survey.due(550) == [550]
    assert [alarm.kind for alarm in survey.evaluate(550)] == [AlarmKind.COUPLING]


def test_readings_that_are_few_still_come_within_four_of_their_intervals() -> None:
    """The next reading of a gauge that reads each 300 ms is not awaited after 200 ms."""
    survey = Survey(every=300)
    survey.due(0)
    survey.echo(50)
    survey.no_echo(2600)
    assert survey.due(2800, 3750, 3850)[-1] == 3850
    assert [alarm.kind for alarm in survey.evaluate(3750)] == [AlarmKind.COUPLING]


def test_bytes_and_readings_in_turn_are_a_gauge_that_is_decoded() -> None:
    """A record that came within the time of the alarm shows that bytes make readings."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.no_echo(120)
    survey.evaluation.add_bytes("gauge", at(50, *range(100, 400, 10)))
    survey.due(100, 150, 200, 250, 300, 350)
    assert [alarm.kind for alarm in survey.evaluate(300)] == []
    assert [alarm.kind for alarm in survey.evaluate(350)] == [AlarmKind.ECHOLESS]


@pytest.mark.parametrize("reason", ["pause", "check", "port"])
def test_no_echo_is_awaited_in_a_pause_in_a_check_and_without_the_port(reason: str) -> None:
    """Each of them explains why there is none; a lost port has its own alarm."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    if reason == "pause":
        survey.pauses.begin(60 * MS, by="K", because="couplant")
    elif reason == "check":
        mark = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B"}
        survey.suspect_cells.take(Mark(60 * MS, MarkKind.CHECK_BEGUN, mark), 60 * MS)
    else:
        survey.tallies["gauge"].state = "lost"
    assert survey.due(100, 500, 1000) == []
    assert [alarm.kind for alarm in survey.evaluate(1000)] == []


def test_echo_is_awaited_from_the_end_of_a_pause() -> None:
    """The time of the pause does not count."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.pauses.begin(60 * MS, by="K", because="couplant")
    assert survey.due(100, 600) == []
    survey.pauses.end(610 * MS)
    survey.no_echo(*range(60, 900, 10))
    assert survey.due(650, 800, 850) == [850]
    (alarm,) = survey.evaluate(850)
    assert alarm.since == 610 * MS + UTC


def test_echo_that_was_awaited_as_a_pause_began_is_awaited_no_more() -> None:
    """A mark is evaluated with the conditions of the instant before it; none of a pause count."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    survey.due(100, 250, 300)
    survey.pauses.begin(260 * MS, by="K", because="couplant")
    assert survey.evaluate(300) == []


def test_echoes_of_an_earlier_run_are_awaited_no_more() -> None:
    """Each run waits for an echo of its own, and begins with no condition."""
    survey = Survey()
    survey.due(0)
    survey.echo(50)
    assert survey.due(50, 250, speeds=[0.0, 170.0]) == [250]
    survey.evaluation.open_run(station(TEXT), 300 * MS + UTC)
    assert survey.due(300, 350, 400, speeds=[170.0, 170.0, 170.0]) == [300]
    assert survey.due(450, speeds=[170.0]) == []
    assert survey.evaluate(450) == []


def test_conditions_of_an_earlier_run_are_forgotten() -> None:
    """A mark before the first instant of a run is evaluated without any condition."""
    survey = Survey()
    survey.keep_coupled(400)
    survey.due(0, 50, 100, 150, speeds=[170.0] * 4)
    survey.evaluate(0)
    assert [alarm.kind for alarm in survey.evaluate(100)] == [AlarmKind.TOO_FAST]
    survey.evaluation.open_run(station(TEXT), 200 * MS + UTC)
    survey.evaluate(210)
    assert survey.evaluate(350) == []


def test_overdue_check_is_due_at_the_first_instant_after_its_time() -> None:
    """The limit is in UTC; at the very time a check is not overdue yet."""
    survey = Survey()
    survey.keep_coupled(1300)
    survey.due(0)
    survey.pass_check(100)
    assert survey.due(1000, 1050) == []
    assert survey.due(1100, 1150, 1200) == [1150]
    assert survey.due(1250, 1300) == []
    assert survey.evaluate(1100) == []
    (alarm,) = survey.evaluate(1150)
    assert (alarm.kind, alarm.since) == (AlarmKind.CHECK_OVERDUE, 1100 * MS + UTC)


def test_overdue_check_between_two_instants() -> None:
    """A check that falls due between two instants is overdue at the later one."""
    survey = Survey()
    survey.keep_coupled(1300)
    survey.due(0)
    survey.pass_check(120)
    assert survey.due(1100, 1150, 1200) == [1150]


def test_port_that_is_not_open_is_an_alarm_of_its_device() -> None:
    """The register has the ports of the run, and waits as the station file has it."""
    survey = Survey()
    survey.tallies["encoder"].state, survey.tallies["encoder"].detail = "lost", "unplugged"
    assert survey.evaluate(50) == []
    assert survey.evaluation.register.next_due == 150 * MS + UTC
    (alarm,) = survey.evaluate(150)
    assert (alarm.kind, alarm.device, alarm.detail) == (
        AlarmKind.PORT,
        "encoder",
        "lost: unplugged",
    )


def test_condition_is_an_alarm_from_the_instant_at_which_it_is_known() -> None:
    """It begins, changes its text and ends at instants, and ends with the run."""
    survey = Survey()
    evaluation = survey.evaluation
    kind = AlarmKind.COUPLING
    evaluation.add_conditions(
        [
            Condition(kind, "gauge", 120 * MS, holds=True, detail="two", scan=(3.0, 3.0)),
            Condition(kind, "gauge", 70 * MS, holds=True, detail="one", scan=(2.0, 2.0)),
            Condition(kind, "gauge", 160 * MS, holds=False),
        ]
    )
    assert sorted(evaluation.conditions_due().tolist()) == [100 * MS, 150 * MS, 200 * MS]
    texts = []
    for instant in (50, 100, 150, 200, 5000):
        evaluation.evaluate(instant * MS, UTC, survey.inputs)
        texts.append([(a.detail, a.device, a.scan, a.until) for a in evaluation.register.alarms])
    assert texts[0] == []
    assert texts[1] == [("one", "gauge", (2.0, 2.0), None)]
    assert texts[2] == texts[3] == [("two", "gauge", (2.0, 2.0), None)]
    assert texts[4] == [("two", "gauge", (2.0, 2.0), 200 * MS + UTC)]


def test_condition_ends_with_the_run() -> None:
    """What a device did in one run is no alarm in the next one."""
    survey = Survey()
    change = Condition(AlarmKind.COUPLING, "gauge", 10 * MS, holds=True, detail="one")
    survey.evaluation.add_conditions([change])
    survey.evaluation.evaluate(50 * MS, UTC, survey.inputs)
    survey.evaluation.open_run(station(TEXT), 60 * MS + UTC)
    survey.evaluation.evaluate(100 * MS, UTC, survey.inputs)
    (alarm,) = survey.evaluation.register.alarms
    assert alarm.until == 60 * MS + UTC
