"""A hand-held scanner on two pseudo-terminals, which a test moves, lifts and switches off.

The wall's thickness is that of one place only, so that what a cell holds shows where it was read.
"""

from __future__ import annotations

import math
import os
import pty
import threading
import time
from functools import reduce
from types import TracebackType
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from support.hand.scanner import BURST_MM, GaugeState

__all__ = ["SEAM_MM", "PortScanner", "wall"]

SEAM_MM: Final = 2.5
"""The wall of a pipe begins so far before 0: half a cell, so that no cell is across the step."""

_PERIOD_S: Final = 0.01
_COUNTS_PER_MM: Final = 20
_ACCELERATION: Final = 10_000.0  # mm/s²
_NEAR_MM: Final = 0.05
_PER_LINE_MM: Final = 4.0
_PER_MM: Final = 0.01


def wall(scan: NDArray[np.float64], row: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the wall's thickness at scan positions, mm, on lines, in mm."""
    return 6.0 + _PER_LINE_MM * row + _PER_MM * scan


class PortScanner:
    """Sends counts and readings a hundred times a second; a context manager.

    Args:
        clock: whether the encoder's records have a device time.
        around: circumference of the pipe that it is on, mm; 0 for a plane.

    Attributes:
        encoder_port, gauge_port: of the pseudo-terminals.
        scan: of the probe, mm.
        row: the line that it is on.
        coupled: whether it has an echo.
        rolling: whether the wheel is on the wall.
        powered: whether the encoder unit is on; its counter begins at 0 with it.
        gauge: what the gauge does.
    """

    def __init__(self, *, clock: bool = True, around: float = 0.0) -> None:
        self._ends = [pty.openpty(), pty.openpty()]
        self.encoder_port, self.gauge_port = (os.ttyname(slave) for _, slave in self._ends)
        self.scan = 0.0
        self.row = 0.0
        self.coupled = False
        self.rolling = True
        self.powered = True
        self.gauge: GaugeState = "good"
        self._clock = clock
        self._around = around
        self._wheel = 0.0
        self._shown = 0.0
        self._begin = time.monotonic()
        self._to, self._speed, self._highest = 0.0, 0.0, 0.0  # mm, mm/s
        self._carried = False
        self._sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="scanner")

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
        for master, slave in self._ends:
            os.close(master)
            os.close(slave)

    def _run(self) -> None:
        (encoder, _), (gauge, _) = self._ends
        for master in (encoder, gauge):
            os.set_blocking(master, False)
        was = self.scan
        on = self.powered
        while not self._stop.wait(_PERIOD_S):
            self._step()
            scan, row, now = self.scan, self.row, time.monotonic()
            self._wheel += scan - was if self.rolling else 0.0
            was = scan
            if self.powered and not on:
                self._wheel = 0.0
            if self.powered:
                count = round(self._wheel * _COUNTS_PER_MM) % (1 << 16)
                when = f"{round(1e6 * (now - self._begin))}," if self._clock else ""
                self._send(encoder, f"P,{when}{count}")
            on = self.powered
            if self.gauge != "dead":
                self._send(gauge, self._reading(scan, row, now))
                self._sent += 1

    def _send(self, master: int, body: str) -> None:
        """Send a line, whole or not at all: a stale one would show a clock that is late."""
        check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
        left = whole = f"{body}*{check:02X}\r\n".encode()
        while left and not self._stop.is_set():
            try:
                left = left[os.write(master, left) :]
            except BlockingIOError:  # nobody listens, or it is in the middle of the line
                if left is whole:
                    return
                self._stop.wait(_PERIOD_S)

    def _step(self) -> None:
        """Move on by the path of one record, however late a busy machine makes it."""
        off = self._to - self.scan
        braking = math.sqrt(2 * _ACCELERATION * abs(off))
        self._speed = min(self._highest, self._speed + _ACCELERATION * _PERIOD_S, braking)
        step = self._speed * _PERIOD_S
        if self._carried or abs(off) <= max(step, _NEAR_MM):
            self.scan, self._speed = self._to, 0.0
        else:
            self.scan += math.copysign(step, off)

    def _reading(self, scan: float, row: float, now: float) -> str:
        when = round(1e6 * (now - self._begin)) + 5_000_000
        turn = (scan + SEAM_MM) % self._around - SEAM_MM if self._around else scan
        thickness = float(wall(np.array(turn), np.array(row)))
        if self.gauge == "burst":
            thickness = BURST_MM
        elif self.gauge == "frozen":
            thickness = self._shown
        elif self.coupled:
            self._shown = thickness
        echo = self.gauge == "frozen" or (self.coupled and self.gauge != "echoless")
        return f"R,{when},{thickness:.4f},E" if echo else f"R,{when},0.0000,N"

    def move(self, to: float, *, speed: float = 100.0) -> None:
        """Move along the line to `to`, mm, at a speed in mm/s, as it is: coupled or in the air."""
        self._highest = speed
        self._to = to
        while self.scan != to:
            time.sleep(_PERIOD_S)
        time.sleep(2 * _PERIOD_S)

    def stand(self, readings: int) -> None:
        """Stand still for so many readings."""
        until = self._sent + readings
        while self._sent < until:
            time.sleep(_PERIOD_S)

    def carry(self, to: float, row: float | None = None) -> None:
        """Lift all off, and set the wheel down at `to`, mm, on a line."""
        self.coupled = self.rolling = False
        time.sleep(3 * _PERIOD_S)
        self._carried, self._to = True, to
        self.row = self.row if row is None else row
        while self.scan != to:
            time.sleep(_PERIOD_S)
        time.sleep(3 * _PERIOD_S)
        self._carried, self.rolling = False, True
