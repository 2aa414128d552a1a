"""Parts of the crawler's work that need no port: the guards, what is left, the order of homing."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from support.crawl import crawl_station
from swathe.errors import MisuseError
from swathe.live import Daemon
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.missing import homing_order, lines_left, missing_gaps
from swathe.live.crawl.watchdog import Watchdog
from swathe.live.run_panel import next_step
from swathe.live.session import Session
from swathe.motion import Event, State, work_area_of
from swathe.pipeline import CellState, DeviceTally, Pipeline
from swathe.station import Station, parse_station
from swathe.store import SurveyFolder

MS = 1_000_000
GUARD = 'heartbeat = "1 s"\nlag = "50 ms"\nencoder_silence = "200 ms"'


def station(guard: str = GUARD) -> Station:
    """Return the station of the simulated crawler."""
    return parse_station(crawl_station(Path("p"), guard=guard), "x")


@dataclass
class Pauses:
    """Whether somebody paused the run."""

    active: bool = False
    by: str = ""


@dataclass
class Seen:
    """What the guards see of a pipeline, set by hand."""

    position: tuple[float | None, float | None] = (0.0, 0.0)
    last_sample_times: tuple[int | None, int | None] = (0, 0)
    lost_axes: tuple[str, ...] = ()
    pauses: Pauses = field(default_factory=Pauses)
    tallies: dict[str, DeviceTally] = field(
        default_factory=lambda: {
            "encoder": DeviceTally(state="open"),
            "gauge": DeviceTally(state="open"),
        }
    )


def guards(seen: Seen, guard: str = GUARD, host: HostWatch | None = None) -> Guards:
    """Return guards that look at what is set by hand, at the time 0 all well."""
    made = Guards(station(guard), lambda: cast("Pipeline", seen), host or HostWatch())
    made.alive = 0
    made.referenced = True
    return made


def look(
    made: Guards,
    seen: Seen,
    ms: int,
    state: State = State.MOVING,
    driven: frozenset[str] = frozenset({"scan"}),
    **report: Any,
) -> Any:
    """Look at a time; encoder and motors told something just now unless said."""
    seen.last_sample_times = report.get("last_sample_times", (ms * MS, ms * MS))
    motor = report.get("motor", (seen.position[0] or 0.0, seen.position[1] or 0.0))
    asked = report.get("asked", ms) * MS
    last = MachineReport(ms * MS, motor, asked=asked)
    return made.look(ms * MS, state, since=0, driven=driven, report=last)


def test_guards_say_nothing_while_all_is_well() -> None:
    """Motor and encoder go together, somebody is there, every port is open."""
    seen = Seen()
    made = guards(seen, GUARD.replace('heartbeat = "1 s"\n', ""))
    for ms in range(0, 3000, 10):
        seen.position = (ms / 10, 0.0)
        assert look(made, seen, ms) is None


@pytest.mark.parametrize("state", [State.MOVING, State.HOMING, State.ARMED])
def test_lost_position_stops_a_move_and_makes_homing_set_the_encoder(state: State) -> None:
    """It has to be set by the next homing, during which it is lost still."""
    seen = Seen(lost_axes=("scan",))
    made = guards(seen)
    fault = look(made, seen, 100, state)
    assert made.encoder_lost
    if state is State.MOVING:
        assert fault[:2] == (Event.DISAGREEMENT, "the encoder's position is lost: scan")
    else:
        assert fault is None


@pytest.mark.parametrize("state", [State.DISARMED, State.FAILING, State.STOPPED, State.ENDED])
def test_guards_are_silent_where_nothing_may_move(state: State) -> None:
    """Where no motion is on, nothing can be wrong with it."""
    seen = Seen()
    made = guards(seen)
    seen.tallies["gauge"].state = "lost"
    assert look(made, seen, 5000, state) is None


def test_motor_that_runs_away_from_the_encoder_is_seen() -> None:
    """A motor 4.5 mm ahead of all that the encoder told around that time is a disagreement."""
    seen = Seen()
    made = guards(seen)
    found = None
    for ms in range(0, 900, 10):
        seen.position = (min(ms, 500) / 10, 0.0)  # the encoder stands still from 500 ms on
        found = look(made, seen, ms, motor=(ms / 10, 0.0))
        if found is not None:
            break
    assert found is not None
    assert found[0] is Event.DISAGREEMENT
    assert found[1].startswith("scan: motor at ")
    assert 540 <= ms <= 620  # 4 mm after it stood still, told a lag later


@pytest.mark.parametrize("ahead", [-1.0, 1.0])
def test_disagreement_is_seen_whichever_of_the_two_is_ahead(ahead: float) -> None:
    """At rest 3.9 mm between motor and encoder are borne and 4.1 mm are not, to either side."""
    for apart, is_fault in ((3.9, False), (4.1, True)):
        seen = Seen(position=(100.0, 0.0))
        made = guards(seen)
        events = [
            look(made, seen, ms, motor=(100.0 + ahead * apart, 0.0)) for ms in range(0, 500, 10)
        ]
        faults = [each for each in events if each is not None]
        assert bool(faults) is is_fault
        assert all(event is Event.DISAGREEMENT for event, *_ in faults)
        assert all(text.endswith("4.1 mm apart") for _, text, _ in faults)


def test_lag_between_motor_and_encoder_is_no_disagreement() -> None:
    """At 100 mm/s an encoder that is told 45 ms late reads 4.5 mm less, and agrees."""
    seen = Seen()
    made = guards(seen, GUARD.replace('heartbeat = "1 s"\n', ""))
    for ms in range(0, 2000, 10):
        seen.position = (max(0, ms - 45) / 10, 0.0)
        assert look(made, seen, ms, motor=(ms / 10, 0.0)) is None


def test_answer_that_comes_late_is_no_disagreement() -> None:
    """The motors were where they tell at some time between the question and the answer."""
    seen = Seen()
    made = guards(seen, GUARD.replace('heartbeat = "1 s"\n', ""))
    for ms in range(0, 2000, 10):
        seen.position = (ms / 10, 0.0)
        late = max(0, ms - 300)
        assert look(made, seen, ms, motor=(late / 10, 0.0), asked=late) is None


@pytest.mark.parametrize("begin", [0, 1000])
def test_encoder_that_is_silent_while_driven_is_seen_and_at_rest_is_not(begin: int) -> None:
    """Silence counts while the machine is driven only, from one move into the next."""
    seen = Seen()
    made = guards(seen)
    made.alive = begin * MS
    last = (begin * MS, begin * MS)
    assert look(made, seen, begin) is None
    assert look(made, seen, begin + 190, last_sample_times=last) is None
    assert look(made, seen, begin + 800, State.ARMED, last_sample_times=last) is None
    event, text, _ = look(made, seen, begin + 820, last_sample_times=last)
    assert event is Event.ENCODER_SILENT
    assert text == "nothing came from the encoder for 210 ms while the machine moved along scan"


@pytest.mark.parametrize("scan_is_sampled", [True, False])
def test_reset_positions_are_not_compared_with_earlier_samples(scan_is_sampled: bool) -> None:
    """After a reset of both positions neither reports nor samples from before it count."""
    seen = Seen(position=(100.0, 40.0))
    made = guards(seen)
    for ms in range(0, 100, 10):
        assert look(made, seen, ms) is None
    made.forget()
    seen.position = (0.0, 40.0)
    for ms in range(100, 500, 10):
        # An encoder that sends on change only has no newer sample: its axis rests.
        times = (ms * MS if scan_is_sampled else 90 * MS, ms * MS)
        assert look(made, seen, ms, driven=frozenset(), last_sample_times=times) is None


def test_silence_is_seen_on_the_driven_axis_whatever_the_other_one_does() -> None:
    """The index encoder is silent while its axis is driven, and the scan axis rests."""
    seen = Seen()
    made = guards(seen)
    assert look(made, seen, 0) is None
    for ms, event in ((200, None), (201, Event.ENCODER_SILENT)):
        found = look(made, seen, ms, driven=frozenset({"index"}), last_sample_times=(ms * MS, 0))
        assert (None if found is None else found[0]) is event
        assert found is None or found[1].endswith("while the machine moved along index")


def test_axis_without_samples_does_not_hide_the_disagreement_of_the_other() -> None:
    """Before the first sample of the scan encoder the index axis is compared all the same."""
    seen = Seen(position=(None, 40.0))
    made = guards(seen)
    found = [
        look(
            made, seen, ms, driven=frozenset(), last_sample_times=(None, ms * MS), motor=(9.0, 46.0)
        )
        for ms in range(0, 200, 10)
    ]
    assert {each[1] for each in found if each is not None} == {
        "index: motor at 46.0 mm, encoder at 40.0 mm, 6.0 mm apart"
    }


@pytest.mark.parametrize(("since", "is_fault"), [(0, True), (150, True), (151, False)])
def test_reports_up_to_a_lag_after_the_state_began_are_not_judged(
    since: int, is_fault: bool
) -> None:
    """Of the reports that wait for samples those after it are judged, in the same look."""
    seen = Seen()
    made = guards(seen)
    for ms in range(0, 400, 10):  # the motor was 6 mm off at 200 ms only
        motor = (6.0 if ms == 200 else 0.0, 0.0)
        assert look(made, seen, ms, State.ARMED, motor=motor) is None
    last = MachineReport(400 * MS, (0.0, 0.0), asked=400 * MS)
    seen.last_sample_times = (400 * MS, 400 * MS)
    found = made.look(
        400 * MS, State.MOVING, since=since * MS, driven=frozenset({"scan"}), report=last
    )
    assert (found is not None) is is_fault


def test_without_a_report_of_the_machine_nothing_is_compared() -> None:
    """Before the first position of the motors their samples are no disagreement."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen)
    for ms in range(0, 300, 10):
        seen.last_sample_times = (ms * MS, ms * MS)
        found = made.look(ms * MS, State.MOVING, since=0, driven=frozenset({"scan"}), report=None)
        assert found is None


@pytest.mark.parametrize(
    ("position", "drift"),
    [
        ((100.0, 40.0), (2.0, -3.0)),
        ((None, 40.0), (0.0, -3.0)),
        ((100.0, None), (2.0, 0.0)),
    ],
)
def test_drift_is_motor_minus_encoder_and_0_where_the_encoder_is_unknown(
    position: tuple[float | None, float | None], drift: tuple[float, float]
) -> None:
    """Each axis has the sign of its own motor's lead."""
    made = guards(Seen(position=position))
    assert made.drift(MachineReport(MS, (102.0, 37.0), asked=0)) == drift


def test_encoder_of_an_axis_that_rests_may_be_silent() -> None:
    """One that tells changes only is silent while its axis rests, and still is where it was."""
    seen = Seen(position=(0.0, 40.0))
    made = guards(seen, GUARD.replace('heartbeat = "1 s"\n', ""))
    assert look(made, seen, 0) is None
    found = None
    for ms in range(10, 2000, 10):
        seen.position = (ms / 10, 40.0)
        # From 1000 ms on the motor of the index axis tells a way that its encoder does not.
        report = (ms / 10, 40.0 if ms < 1000 else 46.0)
        found = look(made, seen, ms, last_sample_times=(ms * MS, 0), motor=report)
        if found is not None:
            break
    assert found is not None
    assert found[:2] == (
        Event.DISAGREEMENT,
        "index: motor at 46.0 mm, encoder at 40.0 mm, 6.0 mm apart",
    )
    assert 1000 <= ms <= 1100


def test_port_heartbeat_and_pause_are_seen() -> None:
    """A lost port, a dead man gone and a pause stop it, the gravest told first."""
    seen = Seen()
    made = guards(seen)
    seen.pauses = Pauses(active=True, by="operator")
    assert look(made, seen, 500)[:2] == (Event.STOP_ASKED, "paused by operator")
    assert look(made, seen, 1500)[0] is Event.HEARTBEAT_LOST
    seen.tallies["encoder"].state, seen.tallies["encoder"].detail = "lost", "unplugged"
    assert look(made, seen, 1600)[:2] == (Event.PORT_LOST, "encoder: unplugged")
    assert made.encoder_lost
    made.alive = None
    assert made.heartbeat_overdue(1600 * MS) == "no sign of life yet"


def test_sign_of_life_is_overdue_after_its_limit() -> None:
    """1 s after the last sign of life nothing is wrong, a millisecond later it is, from any time on."""
    made = guards(Seen())
    made.alive = 4000 * MS
    assert made.heartbeat_overdue(5000 * MS) is None
    assert made.heartbeat_overdue(5001 * MS) == "no sign of life for 1.0 s"
    assert made.encoders == {"encoder"}


def test_own_pause_does_not_stop_it() -> None:
    """While it homes, readings are paused by the crawler itself."""
    seen = Seen()
    made = guards(seen)
    seen.pauses = Pauses(active=True, by=json.loads('"crawler"'))  # as a journal is read
    assert look(made, seen, 500, State.HOMING) is None


def test_lines_left_are_those_mostly_missing_and_not_driven() -> None:
    """A line that is half measured is gone back to; one that was driven is not scanned again."""
    pipeline = Pipeline(station())
    states = pipeline.grid.state.reshape(pipeline.grid.shape)
    states[0] = CellState.MEASURED
    states[1, :60] = CellState.MEASURED
    states[2, :20] = CellState.MEASURED
    assert lines_left(pipeline, 0, 11, {5}) == [2, 3, 4, 6, 7, 8, 9, 10]
    # With two lines to a row, both of an open row are driven.
    assert lines_left(pipeline, 0, 21, set())[:4] == [4, 5, 6, 7]


def test_missing_gaps_tell_what_was_never_left_behind() -> None:
    """Cells that are missing though no gap holds them are told as gaps with numbers of their own."""
    pipeline = Pipeline(station())
    states = pipeline.grid.state.reshape(pipeline.grid.shape)
    excluded = states == CellState.EXCLUDED
    states[~excluded] = CellState.MEASURED
    states[4, 10:14] = CellState.UNVISITED
    states[6, 0] = CellState.NO_SIGNAL
    found = missing_gaps(pipeline, 0, first=-7)
    assert [(gap.number, gap.scan, gap.index, gap.cells) for gap in found] == [
        (-7, (38.0, 54.0), (28.0, 36.0), 4),
        (-8, (-2.0, 2.0), (44.0, 52.0), 1),
    ]
    across = missing_gaps(pipeline, 1, first=-1)
    assert sum(gap.cells for gap in across) == 5
    assert all(gap.scan[1] - gap.scan[0] == pytest.approx(4.0) for gap in across)


def test_homing_order_keeps_clear_of_zones() -> None:
    """Behind the lug the index axis goes first; inside its shadow on both axes nothing is clear."""
    zones = work_area_of(station()).zones
    home = (-60.0, 0.0)
    assert homing_order(("index", "scan"), [(400.0, 16.0)], home, zones) == ("index", "scan")
    assert homing_order(("scan", "index"), [(400.0, 16.0)], home, zones) == ("index", "scan")
    assert homing_order(("index", "scan"), [(330.0, 60.0)], home, zones) == ("scan", "index")
    assert homing_order(("index", "scan"), [(330.0, 60.0), (400.0, 16.0)], home, zones) is None
    assert homing_order(("index", "scan"), [(330.0, 60.0)], None, zones) == ("index", "scan")


def test_terminal_tells_where_to_go_next_by_hand(tmp_path: Path) -> None:
    """Without a crawler the board has the line to scan, or the nearest stroke over a gap."""
    text = crawl_station(tmp_path)
    settings = parse_station(text, "x")
    daemon = Daemon(settings, text, SurveyFolder(tmp_path / "survey"))
    with daemon._session as session:
        session.resume()
        pipeline = daemon.pipeline
        assert next_step(daemon) == (
            "next: line 0 of 11, from 0 mm, towards higher positions; index 0 mm"
        )
        row = 7 * pipeline.grid.shape[1]
        pipeline.coverage.gaps.add(np.arange(row + 40, row + 49), 0)
        pipeline.coverage.gaps.settle()
        report = next_step(daemon)
    assert report.startswith("next: line 7 again, from 140 to 212 mm; "), report


def test_terminal_tells_what_the_crawler_does(tmp_path: Path) -> None:
    """With a crawler the same line tells its state and what it is about."""
    text = crawl_station(tmp_path)
    settings = parse_station(text, "x")
    daemon = Daemon(settings, text, SurveyFolder(tmp_path / "survey"), armed=True)
    assert daemon.crawl is not None
    report = next_step(daemon)
    assert report == "crawler disarmed: begins"
    daemon.crawl.say("raster: 11 of 11 lines")
    report = next_step(daemon)
    assert report == "crawler disarmed: raster: 11 of 11 lines"


def test_daemon_refuses_to_be_armed_where_the_station_does_not_allow_it(tmp_path: Path) -> None:
    """However it is asked, the station file has its say."""
    text = crawl_station(tmp_path, arm_allowed=False)
    settings = parse_station(text, "x")
    with pytest.raises(MisuseError, match="does not allow"):
        Daemon(settings, text, SurveyFolder(tmp_path / "survey"), armed=True)


def test_watchdog_tells_once_when_nobody_comes_round() -> None:
    """It tells once each time, only while it matters, and not while it is patted."""
    report: list[str] = []
    late, active = threading.Event(), threading.Event()

    def on_late(text: str) -> None:
        report.append(text)
        late.set()

    watchdog = Watchdog(0.3, active=active.is_set, on_late=on_late)
    watchdog.start()
    try:
        time.sleep(0.6)
        assert report == []
        active.set()
        assert late.wait(5)
        time.sleep(0.2)
        assert len(report) == 1
        assert report[0].startswith("the loop was held up for ")
        late.clear()
        watchdog.pat()
        assert late.wait(5)
        assert len(report) == 2
    finally:
        watchdog.close()
    assert np.all([not t.name.startswith("crawl.watchdog") for t in threading.enumerate()])


def test_crawler_is_halted_while_the_disk_takes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it would measure is not kept: a stop with the disk's own words, as for any fault."""
    text = crawl_station(tmp_path)
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"), armed=True)
    crawl = daemon.crawl
    assert crawl is not None
    halts: list[tuple[object, ...]] = []
    monkeypatch.setattr(crawl._drive, "trouble", lambda *halt: halts.append(halt[:2]))
    monkeypatch.setattr(crawl._guards, "look", lambda *_, **__: None)
    trouble = ["No space left on device; make room"]
    monkeypatch.setattr(Session, "disk_trouble", property(lambda _: "".join(trouble)))
    crawl.watch(1)
    assert halts == []  # nothing is armed
    crawl.machine.take(Event.ARMED)
    crawl.watch(2)
    assert halts == [(Event.DISK, "No space left on device; make room")]
    trouble.clear()
    crawl.watch(3)
    assert len(halts) == 1
