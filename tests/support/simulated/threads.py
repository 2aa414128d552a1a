"""Threads in simulated time: one runs at once, until it waits; time passes only while all of them wait.

Code with threads of its own runs unchanged: its `threading`, `select` and `time` are exchanged for these.
A thread that waits is resumed by the loop, when it is notified or its time is over. So a run of one seed
is the same step by step.
"""

from __future__ import annotations

import asyncio
import select
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType, SimpleNamespace
from typing import Any, Self

from support.simulated.clock import HungError, SimulatedClock, SimulatedLoop

__all__ = ["SimulatedThread", "Threads"]

_NEVER: Callable[[], bool] = lambda: False  # noqa: E731


class _Gone(BaseException):
    """Ends a thread of a process that was killed."""


class SimulatedThread:
    """Has what is used of `threading.Thread`."""

    def __init__(
        self,
        threads: Threads,
        *,
        target: Callable[..., None],
        args: tuple[Any, ...] = (),
        name: str = "",
        daemon: bool = True,
    ) -> None:
        del daemon
        self.name = name
        self._threads, self._target, self._args = threads, target, args
        self._go, self._back = threading.Semaphore(0), threading.Semaphore(0)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.until: int | None = None  # ns, while it waits
        self.ready = _NEVER
        self.started = self.over = self.gone = False
        self.error: BaseException | None = None

    def start(self) -> None:
        """Let it run from the loop's next round on."""
        self.started = True
        self.ready = lambda: True
        self._thread.start()
        self._threads.all.append(self)
        self._threads.poke()

    def is_alive(self) -> bool:
        """Whether it has begun and not ended."""
        return self.started and not self.over

    def join(self, timeout: float | None = None) -> None:
        """Let it, and the others, run until it has ended."""
        del timeout
        self._threads.run_until(lambda: self.over or not self.started)

    def _run(self) -> None:
        self._go.acquire()
        try:
            if not self.gone:
                self._target(*self._args)
        except _Gone:
            pass
        except BaseException as error:  # noqa: BLE001  looked at by the harness
            self.error = error
        finally:
            self.over = True
            self._back.release()

    def resume(self) -> None:
        """Let it run until it waits; called by the main thread."""
        if self.over:
            return
        self.until, self.ready = None, _NEVER
        self._threads.current = self
        self._go.release()
        self._back.acquire()
        self._threads.current = None

    def wait(self, until: int | None, ready: Callable[[], bool]) -> None:
        """Wait; called by this thread."""
        self.until, self.ready = until, ready
        self._back.release()
        self._go.acquire()
        if self.gone:
            raise _Gone


class _Condition:
    def __init__(self, threads: Threads) -> None:
        self._threads, self._notified = threads, 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def notify_all(self) -> None:
        self._notified += 1
        self._threads.poke()

    def wait(self, timeout: float | None = None) -> bool:
        before = self._notified
        return self._threads.wait(timeout, lambda: self._notified != before)

    def wait_for(self, is_so: Callable[[], bool], timeout: float | None = None) -> bool:
        return self._threads.wait(timeout, is_so)


class _Event:
    def __init__(self, threads: Threads) -> None:
        self._threads, self._set = threads, False

    def set(self) -> None:
        self._set = True
        self._threads.poke()

    def clear(self) -> None:
        self._set = False

    def is_set(self) -> bool:
        return self._set

    def wait(self, timeout: float | None = None) -> bool:
        return self._threads.wait(timeout, self.is_set)


class Threads:
    """The threads of a simulated machine.

    Attributes:
        all: those that were started.
        current: the one that runs; None while the loop's own does.
        loop: of the run under way.
    """

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self.all: list[SimulatedThread] = []
        self.current: SimulatedThread | None = None
        self.loop: SimulatedLoop | None = None
        self._poked = False

    def wait(self, timeout: float | None, ready: Callable[[], bool]) -> bool:
        """Wait until something is so, or for some seconds; return whether it is so."""
        if ready():
            return True
        until = None if timeout is None else self._clock.now + max(1, round(timeout * 1e9))
        if self.current is not None:
            self.current.wait(until, ready)
        else:
            self.run_until(lambda: ready() or (until is not None and self._clock.now >= until))
        return ready()

    def sleep(self, seconds: float) -> None:
        """Wait for some seconds."""
        self.wait(seconds, _NEVER)

    def poke(self) -> None:
        """Have the loop look at who may run."""
        if self.loop is not None and not self._poked and not self.loop.is_closed():
            self._poked = True
            self.loop.call_soon(self.turn)

    async def run(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Run a function that waits in a thread of its own, and return its result."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Any] = loop.create_future()

        def act() -> None:
            try:
                result, failed = function(*arguments), None
            except Exception as error:  # noqa: BLE001  raised where it is awaited
                result, failed = None, error
            if not future.done():
                future.set_result(result) if failed is None else future.set_exception(failed)

        SimulatedThread(self, target=act).start()
        return await future

    def turn(self, only: list[SimulatedThread] | None = None) -> None:
        """Run all that may run now, or of some threads those that may."""
        self._poked = False
        for thread in list(self.all if only is None else only):
            due = thread.until is not None and thread.until <= self._clock.now
            if thread.is_alive() and (due or thread.ready()):
                thread.resume()
        self.all = [one for one in self.all if not one.over]
        first = min((one.until for one in self.all if one.until is not None), default=None)
        if first is not None and self.loop is not None and not self.loop.is_closed():
            self.loop.call_at((first + 500) / 1e9, self.poke)

    def run_until(self, is_so: Callable[[], bool]) -> None:
        """Let time pass for the threads alone: the loop is held up by what it waits for."""
        while not is_so():
            self.turn()
            if is_so():
                return
            times = [one.until for one in self.all if one.until is not None]
            if not times:
                message = "the loop waits for a thread that waits for ever"
                raise HungError(message)
            self._clock.now = max(self._clock.now, min(times))

    def kill(self, kept: list[SimulatedThread]) -> None:
        """End all threads but some: their process was killed."""
        for thread in list(self.all):
            if thread not in kept and thread.is_alive():
                thread.gone = True
                thread.resume()
        self.all = [one for one in self.all if not one.over]

    @contextmanager
    def installed(self, *modules: ModuleType) -> Iterator[None]:
        """Let some modules have these threads in the place of the system's."""

        def thread(**options: Any) -> SimulatedThread:
            return SimulatedThread(self, **options)

        own = SimpleNamespace(
            Thread=thread,
            Condition=lambda *_: _Condition(self),
            Event=lambda: _Event(self),
            Lock=threading.Lock,
            current_thread=lambda: self.current,
        )
        shims = {
            "threading": own,
            "time": SimpleNamespace(
                monotonic=self._clock.monotonic,
                monotonic_ns=self._clock.monotonic_ns,
                time_ns=self._clock.time_ns,
                sleep=self.sleep,
            ),
            "select": SimpleNamespace(select=self._select),
        }
        before = [
            (module, name, vars(module)[name])
            for module in modules
            for name in shims
            if name in vars(module)
        ]
        for module, name, kept in before:
            assert kept in (threading, time, select)
            vars(module)[name] = shims[name]
        try:
            yield
        finally:
            for module, name, kept in before:
                vars(module)[name] = kept

    def _select(
        self, read: list[Any], write: list[Any], other: list[Any], timeout: float | None = None
    ) -> tuple[list[Any], list[Any], list[Any]]:
        found = select.select(read, write, other, 0)
        if not any(found):
            self.wait(timeout, lambda: any(select.select(read, write, other, 0)))
            found = select.select(read, write, other, 0)
        return found
