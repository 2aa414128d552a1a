"""A crawler in simulated time: the simulators' machine at a port in memory, and what goes wrong with it.

The daemon's own threads and the process that stops the machine when the daemon cannot run here with
their own code, one at a time, in simulated time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from random import Random

import numpy as np

from support.simulated.clock import START_NS, HungError
from support.simulated.crawl_port import CrawlerPort, MotionReader, SimulatedGuard
from support.simulated.disk import Killed, Step
from support.simulated.machine import Machine
from support.simulated.ports import Delivery, SimulatedReader
from support.simulated.strip import MS, checked
from support.simulated.threads import SimulatedThread, Threads
from swathe.errors import SwatheError
from swathe.live import Daemon
from swathe.live.crawl import guarding, watchdog
from swathe.station import parse_station
from swathe.store import SurveyFolder
from swathe_drivers import PortState
from swathe_drivers.motion import port as motion_port
from swathe_drivers.motion import stop_process
from swathe_simulators.crawler.machine import Crawler
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.trajectory import Trajectory

__all__ = ["CRAWL_FAULTS", "CrawlPlan", "CrawlRun", "crawl_plan_of"]

_STATION = """\
name = "belt"
[survey]
folder = "survey"
[scan]
length = "60 mm"
resolution = "4 mm"
device = "encoder"
counts_per_mm = 20
keeps_count = true
[index]
length = "8 mm"
resolution = "8 mm"
device = "encoder"
counts_per_mm = 20
[device.encoder]
port = "socket://encoder:1"
[device.encoder.protocol]
columns = [
  {is="constant", text="P"}, {is="device_time", unit="ms"},
  {is="counts", axis="scan"}, {is="counts", axis="index"},
]
checksum = {kind="xor", after="*"}
[device.gauge]
port = "socket://gauge:1"
[device.gauge.protocol]
columns = [
  {is="constant", text="R"},
  {is="device_time", unit="ms"},
  {is="thickness", unit="mm"},
  {is="status", valid=["E"], invalid=["N"]},
]
checksum = {kind="xor", after="*"}
[motion]
driver = "gcode"
port = "socket://crawler:1"
arm_allowed = true
[motion.protocol]
arm = ["G21", "G90", "M17"]
disarm = ["M18"]
query = "?"
query_is_line = false
stop = "!"
timeout_s = 1
homing_timeout_s = 5
answers = { homed = "homed (?:(?P<scan>X)|(?P<index>Y))" }
[motion.protocol.axes.scan]
word = "X"
min_mm = -30
max_mm = 90
speed_mm_per_s = 120
acceleration_mm_per_s2 = 400
[motion.protocol.axes.index]
word = "Y"
min_mm = -5
max_mm = 20
speed_mm_per_s = 40
acceleration_mm_per_s2 = 200
[motion.plan]
speed = "auto"
reading_rate = 60
[motion.guard]
disagreement = "4 mm"
"""
_MODEL = {
    "kind": "commanded",
    "port": {"kind": "pty", "baud": 115200},
    "start_scan_mm": -20.0,
    "start_index_mm": 0.0,
    "scan_limits_mm": (-60.0, 120.0),
    "index_limits_mm": (-20.0, 40.0),
    "scan_home_mm": -20.0,
    "index_home_mm": 0.0,
    "speed_mm_per_s": 120.0,
    "acceleration_mm_per_s2": 400.0,
    "index_speed_mm_per_s": 40.0,
    "index_acceleration_mm_per_s2": 200.0,
    "stop_deceleration_mm_per_s2": 1200.0,
    "homing_speed_mm_per_s": 60.0,
    # Nothing but a stop ends its motion, so that what does not send one is found.
    "halt_on_hang_up": False,
}
CRAWL_FAULTS = (
    "encoder unplugged",
    "gauge unplugged",
    "crawler unplugged",
    "loop hangs",
    "interpreter hangs",
    "daemon killed",
    "controller restarts",
    "wheels slip",
    "answers lost",
)
_UNKNOWN = "not known to be at rest"
_TICK_S = 0.005
_BRAKING_S = 0.15  # from the fastest motion, and a little
_PORT_FAULTS = {"encoder unplugged": "encoder", "gauge unplugged": "gauge"}
# From the fault on, s, until it has to rest: what the guide promises, and the braking.
_RESTS_WITHIN_S = {
    "encoder unplugged": 0.6,
    "loop hangs": 1.0 + 0.1 + _BRAKING_S,
    "interpreter hangs": 1.25 + 0.1 + _BRAKING_S,
    "daemon killed": 0.1 + _BRAKING_S,
    "crawler unplugged": 0.1 + _BRAKING_S,  # from when the port is back
}
_AFTER_S = 2.5
_SHORT_MS, _LONG_MS = 8_000, 30_000


@dataclass
class CrawlPlan:
    """What goes wrong in one run of the crawler.

    Attributes:
        seed: of everything.
        kind: of the fault; empty for none.
        begin: ms after the start.
        end: likewise; of a fault that lasts.
        stop: when the run is stopped, ms.
    """

    seed: int
    kind: str = ""
    begin: int = 0
    end: int = 0
    stop: int = 30_000


def crawl_plan_of(seed: int, *, whole: bool = False) -> CrawlPlan:
    """Return what a seed lets go wrong; in the `whole` run, or in its first moves."""
    random = Random(seed)
    longest = _LONG_MS if whole else _SHORT_MS
    kind = random.choice(("", *CRAWL_FAULTS))
    begin = random.randrange(500, longest // 2)
    end = begin + random.randrange(1_300, 4_000)
    return CrawlPlan(seed, kind, begin, end, random.randrange(2_000, longest))


@dataclass
class CrawlRun:
    """Runs one plan; `problems` then lists what did not hold.

    Args:
        plan: what goes wrong.
        machine: the simulated one.

    Attributes:
        reason: why the run ended.
        words: what the crawler did.
    """

    plan: CrawlPlan
    machine: Machine
    problems: list[str] = field(default_factory=list)
    reason: str = ""
    words: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        plan = self.plan
        mishap = {
            "controller restarts": {"restart_in_move": 1 + plan.seed % 9},
            "wheels slip": {"slip": 0.3, "slip_share": 0.15},
            "answers lost": {"lost_acknowledgement": 0.1, "garbage": 0.1},
        }
        self._model = CommandedModel.model_validate(_MODEL | {"mishap": mishap.get(plan.kind, {})})
        self.port = CrawlerPort()
        self.trajectory = Trajectory(
            scan=self._model.start_scan_mm, index=self._model.start_index_mm
        )
        self.crawler = Crawler(
            self._model,
            trajectory=self.trajectory,
            port=self.port,
            seed=np.random.SeedSequence(plan.seed),
        )
        self.crawler.link.plug()
        self.threads = self.machine.threads = Threads(self.machine.clock)
        self.guards: list[SimulatedThread] = []
        self.dead = False
        self._begun_at: int | None = None  # of the fault
        self._was_stopped = 0

    # The run ------------------------------------------------------------------------

    def run(self) -> list[str]:
        """Run the daemon to its end, or until it is killed; return what did not hold."""
        machine = self.machine
        MotionReader.world = SimulatedGuard.world = self
        SimulatedReader.plug = staticmethod(self._deliveries)
        with ExitStack() as stack:
            stack.enter_context(machine.installed())
            stack.enter_context(self._threads_installed())
            machine.disk.on_step = self._step
            try:
                machine.run(self._scan(), limit=120.0)
            except Killed:
                pass
            except (HungError, SwatheError) as error:
                self.problems.append(f"{type(error).__name__}: {error}")
            machine.disk.on_step = lambda _: False
            self.dead = True
            self.threads.kill(self.guards)
            machine.disk.revive()
            machine.run(self._aftermath(), limit=30.0)
            self.threads.kill([])
        self.port.ours.close()
        self.port.theirs.close()
        self._examine()
        return self.problems

    @contextmanager
    def _threads_installed(self) -> Iterator[None]:
        before = vars(motion_port)["PortReader"], vars(guarding)["StopGuard"]
        vars(motion_port)["PortReader"], vars(guarding)["StopGuard"] = MotionReader, SimulatedGuard
        try:
            with self.threads.installed(motion_port, watchdog, stop_process):
                yield
        finally:
            vars(motion_port)["PortReader"], vars(guarding)["StopGuard"] = before

    def _step(self, _: Step) -> bool:
        if self.plan.kind == "daemon killed" and self._ms >= self.plan.begin:
            self.dead = True
            self._begun_at = self.machine.clock.now
            return True
        return False

    @property
    def _ms(self) -> float:
        return (self.machine.clock.now - START_NS) / MS

    async def _scan(self) -> None:
        loop = asyncio.get_running_loop()
        self.threads.loop = loop  # type: ignore[assignment]
        ticks = loop.create_task(self._live())
        station = parse_station(_STATION, "belt.toml")
        daemon = Daemon(
            station,
            _STATION,
            SurveyFolder(self.machine.disk_root / "survey"),
            armed=True,
            on_crawl=self.words.append,
        )
        loop.call_later(self.plan.stop / 1e3, self._end, daemon)
        kind, begin = self.plan.kind, self.plan.begin / 1e3
        if kind in ("loop hangs", "interpreter hangs"):
            loop.call_later(begin, self._hang)
        if kind == "crawler unplugged":
            loop.call_later(begin, self._unplug)
            loop.call_later(self.plan.end / 1e3, self._replug)
        try:
            outcome = await daemon.run()
            self.reason = outcome.reason
            if self.moves_at(self.machine.clock.now) and _UNKNOWN not in self.reason:
                self.problems.append(f"it moves at the end of the run: {self.reason}")
        finally:
            ticks.cancel()

    def _end(self, daemon: Daemon) -> None:
        self._was_stopped = self._was_stopped or self.machine.clock.now
        daemon.stop("enough")

    async def _live(self) -> None:
        while True:
            self._tick()
            await asyncio.sleep(_TICK_S)

    def _tick(self) -> None:
        now = (self.machine.clock.now - START_NS) / 1e9
        self.crawler.tick(now, now, 0.0, listened=self.port.service())
        self.crawler.watch(now)
        self.threads.poke()

    async def _aftermath(self) -> None:
        self.threads.loop = asyncio.get_running_loop()  # type: ignore[assignment]
        ticks = asyncio.get_running_loop().create_task(self._live())
        await asyncio.sleep(_AFTER_S)
        ticks.cancel()

    # What goes wrong ----------------------------------------------------------------

    def _hang(self) -> None:
        clock = self.machine.clock
        self._begun_at = clock.now
        while self._ms < self.plan.end:
            clock.now += round(_TICK_S * 1e9)
            self._tick()
            self.threads.turn(self.guards if self.plan.kind == "interpreter hangs" else None)

    def _unplug(self) -> None:
        self.port.plugged = False
        if self.port.reader is not None:
            self.port.reader.unplug()

    def _replug(self) -> None:
        self.port.plugged = True
        if self.port.reader is not None and self.port.reader.state is PortState.LOST:
            self._begun_at = self.machine.clock.now
            self.port.reader.plug()

    def _deliveries(self, port: str, since_ns: int) -> Iterator[Delivery]:
        """Yield what encoder and gauge send; each line is made when its time has come."""
        step = 10 if port == "encoder" else 15
        ms = -(-(since_ns - START_NS) // (step * MS)) * step
        fault = self.plan if _PORT_FAULTS.get(self.plan.kind) == port else None
        away = False
        while True:
            time = START_NS + ms * MS
            yield Delivery(time)
            gone = fault is not None and fault.begin <= ms < fault.end
            if gone != away:
                away = gone
                if gone:
                    self._begun_at = time
                state, detail = (
                    (PortState.LOST, "unplugged")
                    if gone
                    else (PortState.OPEN, "is open as ttyUSB7")
                )
                yield Delivery(time, state=state, detail=detail)
            if not gone:
                at = self.trajectory.at([ms / 1e3])
                if port == "encoder":
                    counts = [round(20 * float(place[0])) for place in (at.scan, at.index)]
                    yield Delivery(time, checked(f"P,{ms + 5000},{counts[0]},{counts[1]}"))
                else:
                    yield Delivery(time, checked(f"R,{ms + 5000},9.{ms % 1000:03d},E"))
            ms += step

    # What must hold -----------------------------------------------------------------

    def moves_at(self, ns: int) -> bool:
        """Return whether it moves at a host time."""
        at = self.trajectory.at([(ns - START_NS) / 1e9])
        return bool(abs(at.scan_speed[0]) + abs(at.index_speed[0]) > 1e-9)

    def _examine(self) -> None:
        now = self.machine.clock.now
        for event in self.crawler.log.violations:
            self.problems.append(f"{event.kind} at {event.world_time_s:.3f} s: {event.text}")
        if self.moves_at(now) and _UNKNOWN not in self.reason:
            self.problems.append(f"it moves {_AFTER_S} s after the end of the daemon")
        within = _RESTS_WITHIN_S.get(self.plan.kind)
        if self._begun_at is not None and within is not None:
            self._rests("the fault", self._begun_at, within)
        if self._was_stopped and self.plan.kind != "crawler unplugged":
            self._rests("the stop", self._was_stopped, 0.1 + _BRAKING_S)

    def _rests(self, what: str, since: int, within: float) -> None:
        """Note whether it moves later than it may, if it moved then."""
        due = since + round(within * 1e9)
        if self.moves_at(since) and due <= self.machine.clock.now and self.moves_at(due):
            self.problems.append(
                f"it moves {within:.2f} s after {what} ({self.plan.kind}) "
                f"at {(since - START_NS) / 1e9:.3f} s"
            )
