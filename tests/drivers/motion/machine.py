"""Settings and a far end that answers, for the tests of motion."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.doubles import PtyPort
from swathe_drivers.motion import MotionEvent
from swathe_drivers.motion.gcode import GCodeDriver, GCodeSettings

GCODE: dict[str, Any] = {
    "axes": {
        "scan": {
            "word": "X",
            "min_mm": -50,
            "max_mm": 1000,
            "speed_mm_per_s": 200,
            "acceleration_mm_per_s2": 500,
        },
        "index": {"word": "Y", "min_mm": -10, "max_mm": 300, "speed_mm_per_s": 50},
    },
    "arm": ["G21", "G90", "M17"],
    "disarm": ["M18"],
    "stop": "!",
}


def gcode(**changes: Any) -> GCodeDriver:
    """A driver of a machine that takes G-code."""
    return GCodeDriver(GCodeSettings.model_validate({**GCODE, **changes}))


class FarEnd:
    """A pseudo-terminal whose far end notes what arrives, and when, and answers lines."""

    def __init__(self, link: Path, answer: Callable[[bytes], bytes | None]) -> None:
        self.port = PtyPort(link)
        self.heard: list[tuple[int, bytes]] = []
        self.reading = threading.Event()
        self.reading.set()
        self._answer = answer
        self._stop = threading.Event()
        self._rest = b""
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def data(self) -> bytes:
        """All bytes so far."""
        return b"".join(data for _, data in self.heard)

    @property
    def lines(self) -> list[bytes]:
        """All lines so far, without their ends."""
        return self.data.split(b"\n")[:-1]

    def _run(self) -> None:
        while not self._stop.is_set():
            if not self.reading.wait(0.01):
                continue
            try:
                # Never in a read that waits: a terminal hangs up only when nobody reads it.
                os.set_blocking(self.port._master, False)
                ready, _, _ = select.select([self.port._master], [], [], 0.01)
                data = self.port.receive() if ready else b""
            except (OSError, ValueError):
                time.sleep(0.002)  # nobody has opened it, or it is unplugged
                continue
            if not data:
                continue
            self.heard.append((time.monotonic_ns(), data))
            *lines, self._rest = (self._rest + data).split(b"\n")
            for line in lines:
                answer = self._answer(line)
                if answer is not None:
                    self.port.send(answer)

    def close(self) -> None:
        """Stop answering and unplug."""
        self._stop.set()
        self.reading.set()
        self._thread.join()
        self.port.unplug()


class Told:
    """Collects events."""

    def __init__(self) -> None:
        self.events: list[MotionEvent] = []
        self.sent: list[tuple[int, bytes]] = []

    def on_event(self, event: MotionEvent) -> None:
        """Take an event."""
        self.events.append(event)

    def on_sent(self, name: str, time_ns: int, data: bytes) -> None:
        """Take what was sent."""
        assert name == "crawler"
        self.sent.append((time_ns, data))

    @property
    def kinds(self) -> list[str]:
        """Kinds of the events so far."""
        return [str(event.kind) for event in self.events]
