"""The world: part, motion and devices on one time, served by one thread."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt

from swathe_simulators.couplant import Contact, contact_at
from swathe_simulators.crawler.link import Link
from swathe_simulators.crawler.machine import Crawler
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.outlet import DeviceInfo, Outlet
from swathe_simulators.ports import make_port
from swathe_simulators.recording import make_instruments
from swathe_simulators.scenario_models import Scenario
from swathe_simulators.trajectory import Trajectory
from swathe_simulators.truth import TruthLog

PERIOD_S = 0.001
AHEAD_S = 0.02
"""Wall time for which lines are made at once; moves added later start after it."""


class World:
    """A scenario, served on real ports from `start` (or `with`) to `close`.

    World time runs `speed` times as fast as the wall's, from when the world is switched
    on. The motion begins at `start_s`: at once, or when every port is listened to.

    Args:
        scenario: what is simulated.
        ports_dir: folder of the symlinks, one per pseudo terminal, named like its device.
        speed: world seconds per wall second; device clocks tick in wall time all the same.
        seed: replaces the scenario's.
        held: whether the motion waits for `release` as well.

    Raises:
        ValueError: the speed is not > 0.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        ports_dir: Path,
        speed: float = 1.0,
        seed: int | None = None,
        held: bool = False,
    ) -> None:
        if not (math.isfinite(speed) and speed > 0):
            raise ValueError(f"'speed' must be > 0 (got {speed})")
        self.scenario = scenario
        self.speed = speed
        self.seed = scenario.seed if seed is None else seed
        made = make_instruments(scenario, seed=self.seed, speed=speed)
        self.part, self.carriage, self._motion = made.part, made.carriage, made.motion
        self.trajectory = self._motion.trajectory
        self.truth = TruthLog(
            {model.name: model.kind for model in scenario.device},
            {
                "scenario": scenario.model_dump(mode="json"),
                "part": self.part.metadata(),
                "seed": self.seed,
                "speed": speed,
            },
        )
        self.crawler = make_crawler(scenario, self.trajectory, ports_dir, made.crawler_seed)
        self._outlets: dict[str, Outlet] = {}
        for device in made.devices:
            model = device.model
            port = make_port(model.port, name=model.name, folder=ports_dir)
            self._outlets[model.name] = Outlet(device, port, self.truth)
        self._plugs: dict[str, Outlet | Link] = dict(self._outlets)
        if self.crawler is not None:
            self._plugs[self.crawler.model.name] = self.crawler.link
        self._lock = threading.Lock()
        self._commands: deque[Callable[[], None]] = deque()
        self._horizon_s = 0.0
        self._origin_ns = self._served_at = 0
        self._start_s: float | None = None
        self._held = held
        self._started, self._raster_done = threading.Event(), threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._failure: BaseException | None = None
        self._closed = False
        self._pending_unplugs: deque[tuple[float, str, float]] = deque(
            sorted((u.at_s, u.device, u.for_s) for u in scenario.unplug)
        )

    # Life ---------------------------------------------------------------------------

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def start(self) -> None:
        """Open all ports and serve them; returns at once.

        Raises:
            RuntimeError: it was started before; make another world.
            OSError: a port can't be opened; the message names it.
        """
        if self._thread is not None or self._closed:
            raise RuntimeError("a world starts once; make another one")
        try:
            for plug in self._plugs.values():
                plug.plug()
        except BaseException:
            self.close()
            raise
        self._origin_ns = time.monotonic_ns()
        self.truth.note(origin_ns=self._origin_ns)
        self._thread = threading.Thread(target=self._run, name="simulated-world", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop serving, close and remove all ports; idempotent.

        Raises:
            RuntimeError: serving had failed; its cause is the reason.
        """
        self._closed = True
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        for plug in self._plugs.values():
            plug.unplug()
        failure, self._failure = self._failure, None
        if failure is not None:
            raise RuntimeError("the simulated world stopped serving") from failure

    @property
    def served_at(self) -> int:
        """Host time (monotonic, ns) of the serving thread's last round; 0 before the first."""
        return self._served_at

    # What the user asks -------------------------------------------------------------

    def describe(self) -> list[DeviceInfo]:
        """Return what is plugged in where; the ports are real once it has started."""
        found = [outlet.describe(self.trajectory) for outlet in self._outlets.values()]
        return found if self.crawler is None else [*found, self.crawler.describe()]

    @property
    def now_s(self) -> float:
        """World time since it was switched on, in s."""
        return (time.monotonic_ns() - self._origin_ns) / 1e9 * self.speed

    @property
    def start_s(self) -> float | None:
        """World time at which the motion's own time began, None while it waits."""
        return self._start_s

    @property
    def lines_mm(self) -> npt.NDArray[np.float64]:
        """Index positions of the scenario's lines, in mm."""
        return self._motion.lines_mm

    @property
    def at_rest(self) -> bool:
        """Whether all moves known by now are over."""
        start = self._start_s
        return start is not None and self.now_s >= start + self._motion.end_s

    @property
    def closed(self) -> bool:
        """Whether it serves no more."""
        return self._closed

    @property
    def finished(self) -> bool:
        """Whether the raster is done and all is at rest."""
        return self._raster_done.is_set() and self.at_rest

    @property
    def contact(self) -> Contact | None:
        """The step of the block that the probe is on now; None in the air and without a block."""
        if self._start_s is None:
            return None
        with self._lock:
            return contact_at(self.scenario, self.trajectory, self.now_s - self._start_s)

    def release(self) -> None:
        """Let a held motion begin, at once or as soon as every port is listened to."""
        self._held = False

    def wait_started(self, timeout: float | None = None) -> bool:
        """Wait (wall seconds) until the motion has begun; tell whether it has."""
        return self._awaited(self._started, timeout)

    def wait_raster_done(self, timeout: float | None = None) -> bool:
        """Wait (wall seconds) until the planned motion is over; tell whether it is."""
        return self._awaited(self._raster_done, timeout)

    def _awaited(self, event: threading.Event, timeout: float | None) -> bool:
        limit = math.inf if timeout is None else time.monotonic() + timeout
        while not event.wait(min(0.1, max(0.0, limit - time.monotonic()))):
            if self._failure is not None:
                raise RuntimeError("the simulated world stopped serving") from self._failure
            if time.monotonic() >= limit or self._stop.is_set():
                return event.is_set()
        return True

    # What others do to it -----------------------------------------------------------

    def put_on(self, step_mm: float) -> float:
        """Put the probe on a step of the block, as soon as it can be; there it stays.

        The planned rounds end. The move to there goes through the air and takes the
        motion's `lift_s`.

        Args:
            step_mm: thickness of the step.

        Returns:
            World time from which the probe is on the step; compare it with `now_s`.

        Raises:
            ValueError: there is no such step; the text lists those there are.
            RuntimeError: the motion has not begun, wait for it first; or it is not over the
                steps of a block.
        """
        with self._lock:
            start = self._begun_s()
            return start + self._motion.put_on(step_mm, not_before_s=self._horizon_s - start)

    def lift_off(self) -> float:
        """Take the probe off the block, until it is put on a step again.

        Returns:
            World time from which the probe is in the air.

        Raises:
            RuntimeError: as of `put_on`.
        """
        with self._lock:
            start = self._begun_s()
            return start + self._motion.lift_off(not_before_s=self._horizon_s - start)

    def _begun_s(self) -> float:
        if self._start_s is None:
            raise RuntimeError("the motion has not begun; call wait_started first")
        return self._start_s

    def unplug(self, name: str, seconds: float | None = None) -> None:
        """Take a device off its port, for some wall seconds or until `replug`.

        Raises:
            KeyError: no such device; the message lists those there are.
        """
        outlet = self._find(name)
        back = math.inf if seconds is None else time.monotonic() + seconds
        self._command(lambda: outlet.unplug(back))

    def replug(self, name: str) -> None:
        """Put a device back to its port, under the same address.

        Raises:
            KeyError: no such device; the message lists those there are.
            OSError: the port can't be opened; clear its address and try again.
        """
        self._command(self._find(name).plug)

    def inject(self, name: str, data: bytes) -> None:
        """Write foreign bytes to a device's port, between two of its lines.

        Raises:
            KeyError: no such device; the message lists those there are.
        """
        outlet = self._find(name)
        self._command(lambda: outlet.write_foreign(data))

    def _find(self, name: str) -> Outlet | Link:
        if name not in self._plugs:
            raise KeyError(f"no device {name!r}; there are: {', '.join(self._plugs)}")
        return self._plugs[name]

    def _command(self, action: Callable[[], None]) -> None:
        """Have the serving thread do something; its failure is the caller's."""
        if self._thread is None or not self._thread.is_alive():
            raise RuntimeError("the world does not run; start it first")
        done = threading.Event()
        failures: list[Exception] = []

        def both() -> None:
            try:
                action()
            except Exception as error:  # noqa: BLE001 - raised again below
                failures.append(error)
            done.set()

        self._commands.append(both)
        while not done.wait(0.1):
            if not self._thread.is_alive():
                raise RuntimeError("the simulated world stopped serving") from self._failure
        if failures:
            raise failures[0]

    # The serving thread --------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._tick()
                self._stop.wait(PERIOD_S)
        except BaseException as error:  # noqa: BLE001 - handed to whoever waits or closes
            self._failure = error

    def _tick(self) -> None:
        self._served_at = time.monotonic_ns()
        while self._commands:
            self._commands.popleft()()
        now = self.now_s
        listened = {name: plug.listened() for name, plug in self._plugs.items()}
        due = self.scenario.start == "at_once" or all(listened.values())
        if self._start_s is None and due and not self._held:
            self._begin()
        if self.crawler is not None:
            listened_to = listened[self.crawler.model.name]
            with self._lock:
                self.crawler.tick(now, self._horizon_s, self._start_s, listened=listened_to)
        if now + 0.5 * AHEAD_S * self.speed > self._horizon_s:
            self._make(now + AHEAD_S * self.speed)
        for outlet in self._outlets.values():
            outlet.serve(now)
        if self._start_s is not None:
            since = now - self._start_s
            while self._pending_unplugs and self._pending_unplugs[0][0] <= since:
                _, name, wait = self._pending_unplugs.popleft()
                self._plugs[name].unplug(time.monotonic() + wait / self.speed)
            if since >= self._motion.plan_end_s:
                self._raster_done.set()

    def _begin(self) -> None:
        with self._lock:
            self._start_s = start = self._horizon_s
        for outlet in self._outlets.values():
            outlet.device.restart(start)
        for entry in sorted(self.scenario.inject, key=lambda e: e.at_s):
            self._plugs[entry.device].schedule(start + entry.at_s, entry.data)
        self.truth.note(start_s=start)
        self._started.set()

    def _make(self, until_s: float) -> None:
        with self._lock:
            if self._start_s is not None:
                self._motion.keep_ahead(until_s - self._start_s)
            for outlet in self._outlets.values():
                outlet.produce(until_s, self.trajectory, self._start_s)
            if self.crawler is not None and self._start_s is not None:
                self.crawler.watch(until_s - self._start_s)
            self._horizon_s = until_s


def make_crawler(
    scenario: Scenario, trajectory: Trajectory, folder: Path, seed: np.random.SeedSequence
) -> Crawler | None:
    """Return the crawler of a scenario, its port still closed; None if it is not commanded."""
    model = scenario.motion
    if not isinstance(model, CommandedModel):
        return None
    port = make_port(model.port, name=model.name, folder=folder)
    return Crawler(model, trajectory=trajectory, port=port, seed=seed)
