"""For how long a computer withholds its processors from what could run."""

from __future__ import annotations

import time
from collections import deque
from pathlib import Path

__all__ = ["Withheld"]

_PRESSURE = Path("/proc/pressure/cpu")


class Withheld:
    """Samples, up to a moment, how long something that could run waited for a processor.

    Of processes: how long their threads waited in a run queue (second field of
    ``/proc/PID/task/TID/schedstat``, documented in ``Documentation/scheduler/sched-stats.rst``). Of the
    computer: from Linux's pressure stall information (``some`` of ``/proc/pressure/cpu``, documented in
    ``Documentation/accounting/psi.rst``). A system without them withholds nothing as far as is known.

    Args:
        pids: the processes; none for the computer.
    """

    def __init__(self, *pids: int) -> None:
        self._pids = pids
        self._waited: dict[Path, float] = {}  # by thread; of one that ended, what it had at last
        self._samples: deque[tuple[float, float]] = deque(maxlen=1000)

    def watch(self, seconds: float) -> None:
        """Sample for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.sample()
            time.sleep(0.02)

    def sample(self) -> None:
        """Take a sample now."""
        self._samples.append((time.monotonic(), self._total_ms() if self._pids else _pressure_ms()))

    def before(self, seconds: float) -> float:
        """Return ms for which processors were withheld in the last `seconds` of the samples."""
        last, total = self._samples[-1]
        earlier = [value for at, value in self._samples if at <= last - seconds]
        return total - (earlier[-1] if earlier else self._samples[0][1])

    def _total_ms(self) -> float:
        for pid in self._pids:
            for path in Path(f"/proc/{pid}/task").glob("*/schedstat"):
                try:
                    self._waited[path] = int(path.read_text("ascii").split()[1]) / 1e6
                except (OSError, IndexError):
                    continue  # the thread has ended
        return sum(self._waited.values())


def _pressure_ms() -> float:
    if not _PRESSURE.exists():
        return 0.0
    line = _PRESSURE.read_text("ascii").splitlines()[0]
    return int(line.rpartition("total=")[2]) / 1e3
