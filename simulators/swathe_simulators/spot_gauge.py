"""A thickness gauge on a pseudo-terminal, whose probe a hand puts on one spot after the other.

A spot is steady, jumpy (its readings alternate by chance between two walls, as over a lamination)
or dead (no echo). The caller sets what the probe is on; the gauge sends without a pause.
"""

from __future__ import annotations

import os
import pty
import random
import threading
import tty
from dataclasses import dataclass
from types import TracebackType
from typing import Literal, Self

__all__ = ["HeldSpot", "SpotGauge"]

_READING_S = 0.02


@dataclass(frozen=True, kw_only=True)
class HeldSpot:
    """What is under the probe.

    Attributes:
        thickness_mm: of the wall; of a jumpy spot, the thicker of its two walls.
        kind: how the readings behave.
        jump_mm: by which the other wall of a jumpy spot is thinner.
        noise_mm: standard deviation of a reading.
    """

    thickness_mm: float
    kind: Literal["steady", "jumpy", "dead"] = "steady"
    jump_mm: float = 1.2
    noise_mm: float = 0.004


class SpotGauge:
    """Sends ``thickness,status`` lines fifty times a second; a context manager.

    ``12.345,E`` is a reading with an echo, ``0.000,N`` one without.

    Args:
        seed: of the noise.
        silent: whether nothing is sent without an echo, as some gauges do.

    Attributes:
        port: of the pseudo-terminal, while inside.
    """

    def __init__(self, *, seed: int = 1, silent: bool = False) -> None:
        self.port = ""
        self._random = random.Random(seed)
        self._silent = silent
        self._spot: HeldSpot | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._speak, name="spot gauge")

    def __enter__(self) -> Self:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        os.set_blocking(self._master, False)
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

    def put_on(self, spot: HeldSpot) -> None:
        """Put the probe on a spot, and hold it there."""
        self._spot = spot

    def lift(self) -> None:
        """Take the probe off."""
        self._spot = None

    def _speak(self) -> None:
        while not self._stop.wait(_READING_S):
            line = self._line(self._spot)
            if line is None:
                continue
            try:
                os.write(self._master, line)
            except BlockingIOError:  # nobody listens
                continue

    def _line(self, spot: HeldSpot | None) -> bytes | None:
        if spot is None or spot.kind == "dead":
            return None if self._silent else b"0.000,N\r\n"
        wall = spot.thickness_mm + self._random.gauss(0.0, spot.noise_mm)
        if spot.kind == "jumpy" and self._random.random() < 0.5:
            wall -= spot.jump_mm
        return f"{max(wall, 0.0):.3f},E\r\n".encode()
