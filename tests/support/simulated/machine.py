"""The simulated machine: puts clock, disk, threads and ports in the place of the real ones."""

from __future__ import annotations

import asyncio
import functools
import sys
import time
import types
import uuid
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from random import Random
from typing import Any, TypeVar

from support.simulated.clock import HungError, SimulatedClock, SimulatedLoop
from support.simulated.disk import SimulatedDisk
from support.simulated.ports import SimulatedReader
from support.simulated.threads import Threads

__all__ = ["Machine"]

_Result = TypeVar("_Result")
_BLOCKING = ("wait_open",)  # what waits for other threads
_CLOCKS = ("monotonic_ns", "monotonic", "time_ns", "time", "sleep")


class Machine:
    """One machine in simulated time.

    Args:
        root: real folder of the simulated disk.
        seed: of whatever is random.

    Attributes:
        clock: its time.
        disk: its files.
        random: its random numbers.
        thread_seconds: returns how long a function takes that is run in a thread.
        disk_root: folder of the disk.
        threads: of code that has threads of its own; None without.
        readers: of the ports, by name, of the newest run.
        on_hung: called when a run counts as hanging, before it is cancelled.
    """

    def __init__(self, root: Path, seed: int) -> None:
        self.random = Random(seed)
        self.clock = SimulatedClock()
        self.disk = SimulatedDisk(root, Random(seed + 1))
        self.thread_seconds: Callable[[], float] = lambda: 0.001
        self.readers: dict[str, SimulatedReader] = {}
        self.on_hung: Callable[[], None] = lambda: None
        self.disk_root = root
        self.threads: Threads | None = None

    def run(self, work: Coroutine[Any, Any, _Result], *, limit: float) -> _Result:
        """Run to the end.

        Raises:
            HungError: it has not ended after `limit` simulated seconds.
        """
        self.clock.limit = self.clock.now + round(limit * 1e9)
        loop = SimulatedLoop(self.clock)
        loop.set_exception_handler(lambda *_: None)
        try:
            asyncio.set_event_loop(loop)
            return loop.run_until_complete(work)
        except HungError:
            self.on_hung()
            raise
        finally:
            self.clock.limit += 60_000_000_000
            for task in asyncio.all_tasks(loop):
                task.cancel()
            pending = asyncio.all_tasks(loop)
            if pending:
                loop.run_until_complete(asyncio.gather(*pending, return_exceptions=True))
            asyncio.set_event_loop(None)
            loop.close()

    @contextmanager
    def installed(self, *, disk: bool = True) -> Iterator[None]:
        """Put the machine in the place of the real one, for this process; `disk`: its disk as well."""
        places: dict[tuple[Any, str], Any] = {
            (time, name): getattr(self.clock, name) for name in _CLOCKS
        }
        if disk:
            places |= self.disk.calls()
        places[asyncio, "to_thread"] = self._to_thread
        places[uuid, "uuid4"] = self._uuid
        ports = sys.modules["swathe.live.ports"]
        service = sys.modules["swathe.live.service"]
        places[ports, "PortReader"] = self._reader
        places[service, "stop_signals"] = lambda *_, **__: nullcontext()
        before = {place: getattr(*place) for place in places}
        defaults = _clock_defaults()
        real = {getattr(time, name): getattr(self.clock, name) for name in _CLOCKS}
        try:
            for (module, name), value in places.items():
                setattr(module, name, value)
            for function, kept in defaults:
                function.__kwdefaults__ = {
                    key: real[value] if _is_clock(value, real) else value
                    for key, value in kept.items()
                }
            yield
        finally:
            for (module, name), value in before.items():
                setattr(module, name, value)
            for function, kept in defaults:
                function.__kwdefaults__ = kept

    def _uuid(self) -> uuid.UUID:
        return uuid.UUID(int=self.random.getrandbits(128), version=4)

    def _reader(self, name: str, settings: Any, **options: Any) -> SimulatedReader:
        reader = self.readers[name] = SimulatedReader(name, settings, self.clock, **options)
        return reader

    async def _to_thread(
        self, function: Callable[..., _Result], /, *arguments: Any, **options: Any
    ) -> _Result:
        """Run a function at a later moment of simulated time, as a thread would, also if cancelled."""
        loop = asyncio.get_running_loop()
        if not isinstance(loop, SimulatedLoop):
            return function(
                *arguments, **options
            )  # a loop in a thread of zarr's, which is waited for
        if self.threads is not None and getattr(function, "__name__", "") in _BLOCKING:
            result: _Result = await self.threads.run(function, *arguments)
            return result
        future: asyncio.Future[_Result] = loop.create_future()

        def act() -> None:
            try:
                result = function(*arguments, **options)
            except BaseException as error:  # noqa: BLE001  as a thread does
                if not future.done():
                    future.set_exception(error)
            else:
                if not future.done():
                    future.set_result(result)

        loop.call_later(self.thread_seconds(), act)
        return await future


def _is_clock(value: object, real: dict[Any, Any]) -> bool:
    try:
        return value in real
    except TypeError:
        return False


@functools.cache
def _clock_defaults() -> list[tuple[types.FunctionType, dict[str, Any]]]:
    """Return functions of Swathe with a clock as a default, with their defaults."""
    clocks = [getattr(time, name) for name in _CLOCKS]
    found = []
    for name, module in list(sys.modules.items()):
        if not name.startswith("swathe"):
            continue
        for value in list(vars(module).values()):
            members = [value, *vars(value).values()] if isinstance(value, type) else [value]
            for member in members:
                if isinstance(member, types.FunctionType) and member.__kwdefaults__:
                    kept = member.__kwdefaults__
                    if any(one is clock for one in kept.values() for clock in clocks):
                        found.append((member, kept))
    return found
