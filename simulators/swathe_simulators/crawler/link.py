"""The crawler's port, and its answers with what chance does to them."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Iterator

import numpy as np

from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.ports import Port

STOP = b"!"
"""The byte that stops the crawler at once."""

_STATUS = b"?"
_LONGEST_INPUT = 4096
_MOST_JUNK = 12


class LineInput:
    """Bytes that arrived and are no whole line yet."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def add(self, data: bytes) -> Iterator[bytes]:
        """Give the bytes that act at once, out of the stream wherever they stand; keep the others."""
        for number in range(len(data)):
            byte = data[number : number + 1]
            if byte in (STOP, _STATUS):
                yield byte
            elif len(self._waiting) < _LONGEST_INPUT:
                self._waiting += byte

    def next_line(self) -> bytes | None:
        """Take the next line without its end; None while there is none."""
        end = self._waiting.find(b"\n")
        if end < 0:
            return None
        line = bytes(self._waiting[:end])
        del self._waiting[: end + 1]
        return line

    def clear(self) -> None:
        """Forget what waits."""
        self._waiting.clear()


class Link:
    """Plugs a port in and out and writes what is due, in its order.

    Only the world's serving thread calls its methods once the world runs.
    """

    def __init__(self, port: Port) -> None:
        self.port = port
        self._answers: deque[tuple[float, bytes]] = deque()
        self._injections: deque[tuple[float, bytes]] = deque()
        self._plugged = False
        self._back_at = math.inf

    def plug(self) -> None:
        """Open the port, unless it is open."""
        if not self._plugged:
            self.port.open()
        self._plugged, self._back_at = True, math.inf

    def unplug(self, back_at: float = math.inf) -> None:
        """Close the port until `plug`, or until `time.monotonic()` is `back_at`."""
        self.port.close()
        self._plugged, self._back_at = False, back_at

    def listened(self) -> bool:
        """Whether the port is open and has a listener."""
        if self._back_at <= time.monotonic():
            self.plug()
        return self._plugged and self.port.service()

    def schedule(self, at_s: float, data: bytes) -> None:
        """Have foreign bytes written at a world time; call in the order of time."""
        self._injections.append((at_s, data))

    def write_foreign(self, data: bytes) -> None:
        """Write bytes that are no answer."""
        if self._plugged:
            self.port.write(data)

    def say(self, due_s: float, data: bytes) -> None:
        """Have an answer written at a world time; without a listener by then it is lost."""
        self._answers.append((due_s, data))

    def serve(self, now_s: float) -> None:
        """Write everything that is due at a world time."""
        for queue in (self._injections, self._answers):
            while queue and queue[0][0] <= now_s:
                self.write_foreign(queue.popleft()[1])


class Responder:
    """Sends the crawler's answers, some of them garbled or lost."""

    def __init__(self, model: CommandedModel, link: Link, seed: np.random.SeedSequence) -> None:
        self._mishap = model.mishap
        self._delay_s = model.answer_delay_ms / 1e3
        self._link = link
        # One stream per mishap: a garbled answer more loses no acknowledgement.
        lost, garbage = seed.spawn(2)
        self._lost, self._garbage = np.random.default_rng(lost), np.random.default_rng(garbage)

    def say(self, text: str, now_s: float) -> str:
        """Answer at a world time; return what garbage came before it, if any."""
        data, junk = text.encode("ascii") + b"\n", b""
        if self._garbage.random() < self._mishap.garbage:
            size = int(self._garbage.integers(1, _MOST_JUNK + 1))
            junk = self._garbage.bytes(size).replace(b"\n", b"\r")
            own_line = self._garbage.random() < 0.5
            data = junk + (b"\n" if own_line else b"") + data
        self._link.say(now_s + self._delay_s, data)
        return repr(junk) if junk else ""

    def loses(self) -> bool:
        """Draw whether the next acknowledgement is lost."""
        return bool(self._lost.random() < self._mishap.lost_acknowledgement)
