"""A plain hand at the crawler's port: sends lines, reads answers, knows nothing of drivers."""

from __future__ import annotations

import os
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

PATIENCE = 20.0


def motion(**changes: Any) -> dict[str, Any]:
    """A crawler without mishaps."""
    return {
        "kind": "commanded",
        "start_scan_mm": 0,
        "start_index_mm": 0,
        "scan_limits_mm": [-20, 120],
        "index_limits_mm": [-5, 40],
        "scan_home_mm": -10,
        "index_home_mm": 0,
        "speed_mm_per_s": 100,
        "acceleration_mm_per_s2": 400,
        "index_speed_mm_per_s": 40,
        "index_acceleration_mm_per_s2": 200,
        "stop_deceleration_mm_per_s2": 1000,
        "homing_speed_mm_per_s": 50,
        "index_step_mm": 8,
        "index_count": 3,
        "port": {"kind": "pty", "baud": 115200},
        **changes,
    }


class Hand:
    """Opens a pty and talks."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._read = b""
        self.lines: list[str] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Hang up; idempotent."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def send(self, text: str) -> None:
        """Send bytes as they stand."""
        os.write(self._fd, text.encode("latin-1"))

    def listen(self) -> None:
        """Read what there is."""
        try:
            self._read += os.read(self._fd, 65536)
        except BlockingIOError:
            return
        *lines, self._read = self._read.split(b"\n")
        self.lines += [line.decode("latin-1") for line in lines]

    def hear(self, wanted: str, seconds: float = PATIENCE) -> list[str]:
        """Wait for a line that begins so; return all up to it and forget them."""
        limit = time.monotonic() + seconds
        while True:
            self.listen()
            for number, line in enumerate(self.lines):
                if line.startswith(wanted):
                    listened, self.lines = self.lines[: number + 1], self.lines[number + 1 :]
                    return listened
            assert time.monotonic() < limit, f"no {wanted!r} but {self.lines}"
            time.sleep(0.002)

    def ask(self, line: str, wanted: str = "ok") -> list[str]:
        """Send a line and wait for its answer."""
        self.send(line + "\n")
        return self.hear(wanted)

    def place(self) -> tuple[float, float, str]:
        """Ask where the motors are, out of turn."""
        self.send("?")
        words = self.hear("POS")[-1].split()
        return float(words[1][1:]), float(words[2][1:]), " ".join(words[3:])

    def rest(self) -> tuple[float, float, str]:
        """Wait until the motors rest."""
        limit = time.monotonic() + PATIENCE
        while (place := self.place())[2].startswith("moving"):
            assert time.monotonic() < limit, "it never rests"
        return place
