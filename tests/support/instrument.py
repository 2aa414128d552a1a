"""A combined instrument on a pseudo-terminal, which a test moves and couples by hand."""

from __future__ import annotations

import os
import pty
import random
import threading
import time
from types import TracebackType
from typing import Self

__all__ = ["Instrument"]

COUNTS_PER_MM = 20
VELOCITY = 5.93
ZERO_OFFSET = 0.42


class Instrument:
    """Sends ``counts,time of flight`` a hundred times a second; a context manager.

    Attributes:
        port: of the pseudo-terminal.
        place: of the probe, mm.
        wall: under the probe, mm; None when it is lifted off.
        velocity: of the wall, mm/µs: what a wrong block or a hot part would change.
        film: what the couplant adds to the time of flight, µs.
    """

    def __init__(self, *, seed: int = 7) -> None:
        self._master, self._slave = pty.openpty()
        self.port = os.ttyname(self._slave)
        self.place = 0.0
        self.wall: float | None = None
        self.velocity = VELOCITY
        self.film = 0.0
        self._random = random.Random(seed)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._speak, name="instrument")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def _speak(self) -> None:
        os.set_blocking(self._master, False)
        while not self._stop.wait(0.01):
            wall = self.wall
            time_us = 0.0
            if wall is not None:
                time_us = ZERO_OFFSET + 2 * wall / self.velocity + self.film
                time_us += self._random.gauss(0, 0.002)
            echo = "E" if wall is not None else "N"
            line = f"{round(self.place * COUNTS_PER_MM)},{time_us:.4f},{echo}\r\n"
            try:
                os.write(self._master, line.encode())
            except BlockingIOError:  # nobody listens
                continue

    def sweep(self, start: float, end: float, *, wall: float, seconds: float) -> None:
        """Move from one place to another over a wall of one thickness."""
        self.wall = wall
        steps = max(1, int(seconds / 0.01))
        for step in range(steps + 1):
            self.place = start + (end - start) * step / steps
            time.sleep(0.01)
