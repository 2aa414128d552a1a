"""The crawler's port: answers wait here until they are due."""

from __future__ import annotations

import math
import time
from collections import deque

from swathe_simulators.ports import Port


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
        """Whether the port is open and somebody listens to it."""
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
        """Have an answer written at a world time; what nobody hears by then is lost."""
        self._answers.append((due_s, data))

    def serve(self, now_s: float) -> None:
        """Write everything that is due at a world time."""
        for queue in (self._injections, self._answers):
            while queue and queue[0][0] <= now_s:
                self.write_foreign(queue.popleft()[1])
