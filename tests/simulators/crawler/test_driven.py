"""The motion port drives the simulated crawler over a real port: both ends of the wire."""

from __future__ import annotations

import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulators.crawler.driver import motion
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import PortError
from swathe_drivers.motion import CommandOutcome, EventKind, MotionEvent, MotionPort, Receipt
from swathe_drivers.motion.gcode import GCodeDriver, GCodeSettings
from swathe_drivers.motion.text import TextDriver, TextSettings
from swathe_drivers.transport import PortSettings
from swathe_simulators import Scenario, World

LATEST_S = 0.2
"""A stop must be at the port within 50 ms; four times that is asserted on a noisy machine."""

AXES: dict[str, Any] = {
    "scan": {"word": "X", "min_mm": -15, "max_mm": 115, "speed_mm_per_s": 100},
    "index": {"word": "Y", "min_mm": 0, "max_mm": 35, "speed_mm_per_s": 40},
}
SETTINGS: dict[str, Any] = {
    "axes": AXES,
    "arm": ["G21", "G90", "M17"],
    "disarm": ["M18"],
    "stop": "!",
    "timeout_s": 0.4,
    "answers": {"homed": "homed (?:(?P<scan>X)|(?P<index>Y))"},
}


def gcode(**changes: Any) -> GCodeDriver:
    """A driver of the simulated crawler."""
    return GCodeDriver(GCodeSettings.model_validate({**SETTINGS, **changes}))


GCODE = gcode()


class Told:
    """Collects what the machine tells."""

    def __init__(self) -> None:
        self.events: list[MotionEvent] = []
        self.sent: list[tuple[int, bytes]] = []

    def on_event(self, event: MotionEvent) -> None:
        """Take an event."""
        self.events.append(event)

    def on_sent(self, _: str, time_ns: int, data: bytes) -> None:
        """Take what was sent."""
        self.sent.append((time_ns, data))

    @property
    def place(self) -> dict[str, float]:
        """The last place that was told."""
        places = [e.position for e in self.events if e.kind is EventKind.POSITION]
        return dict(places[-1]) if places else {}


def world_of(data: dict[str, Any], folder: Path, *, speed: float = 5.0, **changes: Any) -> World:
    """A small world with a commanded crawler."""
    scenario = Scenario.model_validate({**data, "motion": motion(**changes)})
    return World(scenario, ports_dir=folder, speed=speed)


def port_of(folder: Path, told: Told, driver: Any = GCODE) -> MotionPort:
    """A port to its crawler."""
    return MotionPort(
        "crawler",
        PortSettings(url=str(folder / "crawler")),
        driver,
        on_event=told.on_event,
        on_sent=told.on_sent,
        backoff=Backoff(first=0.01, cap=0.05),
    )


def done(future: Future[Receipt]) -> CommandOutcome:
    """How a command ended."""
    return future.result(20).outcome


def rested(port: MotionPort, told: Told) -> dict[str, float]:
    """Ask until the machine says that it rests; return where."""
    limit = time.monotonic() + 30
    while time.monotonic() < limit:
        begun = len(told.events)
        if done(port.query_position()) is CommandOutcome.ACKNOWLEDGED and any(
            event.kind is EventKind.IDLE for event in told.events[begun:]
        ):
            return told.place
        time.sleep(0.01)
    raise AssertionError("it never rests")


def test_commands_home_and_scan_two_lines(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """Armed, homed, driven along two lines; encoder lines and place tell the same way."""
    told = Told()
    with world_of(scenario_data, tmp_path) as world, port_of(tmp_path, told) as port:
        port.wait_open(10)
        assert done(port.arm()) is CommandOutcome.ACKNOWLEDGED
        assert done(port.home("scan")) is CommandOutcome.ACKNOWLEDGED
        assert done(port.home("index")) is CommandOutcome.ACKNOWLEDGED
        homed = [event.axis for event in told.events if event.kind is EventKind.HOMED]
        assert homed == ["scan", "index"]
        for target in ({"scan": 100.0}, {"index": 8.0}, {"scan": 0.0}):
            assert done(port.move(target, speed=40)) is CommandOutcome.ACKNOWLEDGED
        assert rested(port, told) == {"scan": 0.0, "index": 8.0}
        crawler = world.crawler
        assert crawler is not None
        assert crawler.log.violations == []
        assert crawler.log.all("refused") == []
        rows = world.truth.rows("encoder")
        assert rows["scan_mm"].max() == pytest.approx(100.0, abs=0.01)
        assert np.all(np.diff(rows["index_mm"]) >= 0)
        assert port.codec.n_faults == {}


def test_stop_is_at_the_crawler_at_once_and_nothing_moves_after(
    scenario_data: dict[str, Any], tmp_path: Path
) -> None:
    """Between the call and the byte at the far end lie milliseconds, in the middle of a move."""
    told = Told()
    with (
        world_of(scenario_data, tmp_path, speed=1, stop_latches=False) as world,
        port_of(tmp_path, told, gcode(timeout_s=5)) as port,
    ):
        crawler = world.crawler
        assert crawler is not None
        port.wait_open(10)
        port.arm().result(10)
        moves = [port.move({"scan": scan}, speed=100) for scan in (110.0, 0.0, 110.0, 0.0, 110.0)]
        limit = time.monotonic() + 10
        # A query would wait behind the moves; the truth is at hand.
        while not (world.truth.rows("encoder")["scan_mm"] > 30).any():
            assert time.monotonic() < limit
            time.sleep(0.01)
        begun = time.monotonic_ns()
        port.stop()
        while not crawler.log.all("rest"):
            assert time.monotonic() < limit
            time.sleep(0.005)
        (stop,) = crawler.log.all("stop")
        assert (stop.host_time_ns - begun) / 1e9 < LATEST_S
        assert (told.sent[-1][0] - begun) / 1e9 < LATEST_S
        assert {done(move) for move in moves} <= {
            CommandOutcome.STOPPED,
            CommandOutcome.ACKNOWLEDGED,
        }
        assert done(moves[-1]) is CommandOutcome.STOPPED
        time.sleep(0.3)
        assert crawler.log.all("asked_after_stop") == []
        assert crawler.log.violations == []


@pytest.mark.slow
def test_lost_acknowledgements_garbage_and_refusals_end_truthfully(
    scenario_data: dict[str, Any], tmp_path: Path
) -> None:
    """With many mishaps on the line, sending each move until it is taken gets there."""
    told = Told()
    mishap = {"lost_acknowledgement": 0.15, "garbage": 0.2}
    with (
        world_of(scenario_data, tmp_path, speed=10, mishap=mishap) as world,
        port_of(tmp_path, told) as port,
    ):
        crawler = world.crawler
        assert crawler is not None
        port.wait_open(10)
        while done(port.arm()) is not CommandOutcome.ACKNOWLEDGED:
            pass
        outcomes = []
        for number in range(12):
            target = {"scan": 100.0 if number % 2 else 0.0}
            while True:
                outcomes.append(done(port.move(target, speed=100)))
                if outcomes[-1] is CommandOutcome.ACKNOWLEDGED:
                    break
        assert rested(port, told)["scan"] == 100.0
        lost = len(crawler.log.all("acknowledgement_lost"))
        assert outcomes.count(CommandOutcome.UNANSWERED) > 0
        assert lost + len(crawler.log.all("garbage")) >= outcomes.count(CommandOutcome.UNANSWERED)
        assert set(outcomes) <= {CommandOutcome.ACKNOWLEDGED, CommandOutcome.UNANSWERED}
        assert crawler.log.violations == []


def test_alarm_of_the_crawler_ends_commands(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """Slipping backwards past the rail's end is an alarm at this end as well."""
    told = Told()
    wide = gcode(axes={**AXES, "scan": {**AXES["scan"], "max_mm": 300}}, timeout_s=20)
    with (
        world_of(scenario_data, tmp_path, buffer=0) as world,
        port_of(tmp_path, told, wide) as port,
    ):
        port.wait_open(10)
        port.arm().result(10)
        receipt = port.move({"scan": 200.0}, speed=100).result(20)
        assert receipt.outcome is CommandOutcome.ALARM
        assert receipt.text.startswith("alarm: end of travel at X120.0")
        assert not port.armed
        assert world.crawler is not None
        assert len(world.crawler.log.all("crossed")) == 1


def test_unplugged_in_the_middle_of_a_move_is_stopped_first(
    scenario_data: dict[str, Any], tmp_path: Path
) -> None:
    """Cable off and on again: the first byte that arrives is a stop."""
    told = Told()
    with (
        world_of(scenario_data, tmp_path, speed=1, halt_on_hang_up=False) as world,
        port_of(tmp_path, told) as port,
    ):
        crawler = world.crawler
        assert crawler is not None
        port.wait_open(10)
        port.arm().result(10)
        assert done(port.move({"scan": 110.0}, speed=20)) is CommandOutcome.ACKNOWLEDGED
        world.unplug("crawler", 0.3)
        limit = time.monotonic() + 20
        while not crawler.log.all("rest"):
            assert time.monotonic() < limit
            time.sleep(0.01)
        assert len(crawler.log.all("stop")) == 1
        assert crawler.log.all("rest")[0].scan_mm < 100
        port.wait_open(10)
        assert done(port.arm()) is CommandOutcome.ACKNOWLEDGED


def test_text_driver_to_a_crawler_of_g_code_is_refused(
    scenario_data: dict[str, Any], tmp_path: Path
) -> None:
    """The wrong driver gets the machine's own words."""
    settings = TextSettings.model_validate(
        {
            "axes": {"scan": {"min_mm": 0, "max_mm": 9, "speed_mm_per_s": 5}},
            "move": "MOVE {scan:.1f}",
            "arm": ["HELLO"],
            "stop": "!",
        }
    )
    with (
        world_of(scenario_data, tmp_path),
        port_of(tmp_path, Told(), TextDriver(settings)) as port,
    ):
        port.wait_open(10)
        receipt = port.arm().result(10)
        assert receipt.outcome is CommandOutcome.REFUSED
        assert receipt.text == "error: no word at 'HELLO'"
        assert not port.armed


def test_busy_port_is_told(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """Without a world there is no port, and that is said."""
    del scenario_data
    with port_of(tmp_path, Told()) as port, pytest.raises(PortError, match="does not exist"):
        port.wait_open(0.2)
