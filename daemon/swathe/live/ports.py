"""The station's ports: one reading thread each, all into one bounded queue."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from types import TracebackType
from typing import Self

from swathe.journal import Chunk, PortChange, Sent
from swathe.station import Station, decoder_of, schedule_of
from swathe_drivers import PortReader, PortState

__all__ = ["PortHub"]

# About ten seconds of a busy port. When it is full the reading thread waits and the buffer of the
# operating system fills instead; nothing is dropped here.
_QUEUE_LENGTH = 20_000
_FULL_SECONDS = 0.01
# Where a device has a clock, its fastest deliveries are what counts, and they are as fast when
# those of a few ms come at once. A crawler's guards need each sample as soon as it is there.
_GATHER_SECONDS = 0.008


class PortHub:
    """Opens every port of a station; a context manager.

    Args:
        station: names the ports.
    """

    def __init__(self, station: Station) -> None:
        # Appending and taking away are atomic, and no thread waits for a lock at every chunk.
        self._entries: deque[Chunk | PortChange | Sent] = deque()
        self._readers = {
            name: PortReader(
                name,
                device.port_settings(),
                on_chunk=self._take_chunk,
                on_state=self._take_state,
                on_sent=self._take_sent,
                schedule=schedule_of(device),
                gather=_gather(station, name),
            )
            for name, device in station.device.items()
        }
        self._stack = ExitStack()
        self._closing = False

    def __enter__(self) -> Self:
        for reader in self._readers.values():
            self._stack.enter_context(reader)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._closing = True  # a thread must not wait for ever for space in the queue
        self._stack.close()

    def close(self, sent: Callable[[Sent], None]) -> None:
        """Send the devices their closing texts and close the ports; `sent` takes those texts.

        Bytes that arrive meanwhile are discarded.
        """
        for reader in self._readers.values():
            reader.close()
        self.drain(_ignore, sent)

    @property
    def stalls(self) -> dict[str, int]:
        """How often each port's reading waited for the daemon."""
        return {name: reader.stalls for name, reader in self._readers.items()}

    def read_at(self, name: str) -> int | None:
        """Return when the last read of a port returned, host time in ns; None while not open."""
        return self._readers[name].read_at

    def drain(
        self,
        take: Callable[[Chunk | PortChange], None],
        sent: Callable[[Sent], None] | None = None,
    ) -> int:
        """Hand over everything that has arrived, in order; return how many bytes that was.

        Args:
            take: takes bytes and changes.
            sent: takes what was sent to the devices, and which of it was not answered.
        """
        size = 0
        for _ in range(len(self._entries)):
            entry = self._entries.popleft()
            if not isinstance(entry, Sent):
                take(entry)
            elif sent is not None:
                sent(entry)
            if isinstance(entry, Chunk):
                size += len(entry.data)
        return size

    def _take_chunk(self, name: str, time: int, data: bytes) -> None:
        self._put(Chunk(time, name, data))

    def _take_state(self, name: str, time: int, state: PortState, detail: str) -> None:
        self._put(PortChange(time, name, str(state), detail))

    def _take_sent(self, name: str, time: int, data: bytes, unanswered: bool) -> None:
        self._put(Sent(time, name, data, unanswered))

    def _put(self, entry: Chunk | PortChange | Sent) -> None:
        while len(self._entries) >= _QUEUE_LENGTH and not self._closing:
            time.sleep(_FULL_SECONDS)
        if not self._closing:
            self._entries.append(entry)


def _gather(station: Station, name: str) -> float:
    """Return for how long the arrivals of a device are gathered, s."""
    may = station.motion is None and decoder_of(station.device[name]).has_clock
    return _GATHER_SECONDS if may else 0.0


def _ignore(_entry: Chunk | PortChange) -> None:
    return None
