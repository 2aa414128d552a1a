"""For how long a computer withholds its processors from what could run."""

from __future__ import annotations

import time
from collections import deque
from pathlib import Path

__all__ = ["Withheld"]

_PRESSURE = Path("/proc/pressure/cpu")


class Withheld:
    """Samples, up to a moment, how long something that could run waited for a processor.

    From Linux's pressure stall information (``some`` of ``/proc/pressure/cpu``, documented in
    ``Documentation/accounting/psi.rst``); a system without it withholds nothing as far as is known.
    """

    def __init__(self) -> None:
        self._samples: deque[tuple[float, float]] = deque()

    def watch(self, seconds: float) -> None:
        """Sample for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.sample()
            time.sleep(0.02)

    def sample(self) -> None:
        """Take a sample now."""
        self._samples.append((time.monotonic(), _total_ms()))

    def before(self, seconds: float) -> float:
        """Return ms for which processors were withheld in the last `seconds` of the samples."""
        last, total = self._samples[-1]
        earlier = [value for at, value in self._samples if at <= last - seconds]
        return total - (earlier[-1] if earlier else self._samples[0][1])


def _total_ms() -> float:
    if not _PRESSURE.exists():
        return 0.0
    line = _PRESSURE.read_text("ascii").splitlines()[0]
    return int(line.rpartition("total=")[2]) / 1e3
