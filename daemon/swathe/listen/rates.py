"""A serial port read at each of the usual baud rates, to find the one at which bytes make sense."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from swathe.listen.listener import Listener
from swathe_drivers import PortSettings
from swathe_drivers.description import Description
from swathe_drivers.line_doubts import RATES, is_readable, line_doubt

__all__ = ["RateTrial", "try_rates"]

_MOST_BYTES = 1 << 16
_DRAIN_SECONDS = 0.02
_ENOUGH_BYTES = 400


@dataclass(frozen=True, slots=True)
class RateTrial:
    """What a port gave at one baud rate.

    Attributes:
        baud: the rate.
        bytes: that came.
        records: decoded; None without a description.
        readable: whether they are text.
        doubt: what the line's settings must be where it shows; empty otherwise.
        problem: why the port could not be read; empty when it could.
    """

    baud: int
    bytes: int
    records: int | None
    readable: bool
    doubt: str
    problem: str

    @property
    def good(self) -> bool:
        """Whether the bytes make sense: records with a description, text without one."""
        return bool(self.records) if self.records is not None else self.readable or bool(self.doubt)


def try_rates(
    settings: PortSettings, description: Description | None, seconds: float
) -> Iterator[RateTrial]:
    """Read a serial port at each rate, for `seconds` or until some hundred bytes came.

    A device that is polled is sent its requests at each rate.
    """
    for baud in RATES:
        tried = settings.model_copy(update={"baud": baud})
        per_byte = tried.ns_per_byte
        decoder = None if description is None else description.decoder(ns_per_byte=per_byte)
        schedule = None if description is None else description.schedule(ns_per_byte=per_byte)
        end = time.monotonic() + seconds
        with Listener(
            tried, decoder=decoder, schedule=schedule, keep_bytes=_MOST_BYTES
        ) as listener:
            while time.monotonic() < end and listener.snapshot().bytes < _ENOUGH_BYTES:
                listener.drain()
                time.sleep(_DRAIN_SECONDS)
            listener.drain()
            seen = listener.snapshot()
        data = b"".join(chunk for _, chunk in listener.kept)
        records = None if description is None else seen.records * seen.good
        problem = "" if seen.state == "open" or seen.bytes else seen.detail or seen.state
        yield RateTrial(baud, seen.bytes, records, is_readable(data), line_doubt(data), problem)
