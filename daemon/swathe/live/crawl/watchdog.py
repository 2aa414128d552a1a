"""A thread that stops the crawler when the daemon's loop is held up and watches no guard."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

__all__ = ["Watchdog"]

_LOOK_SECONDS = 0.05


class Watchdog:
    """Watches that the loop comes round often enough.

    Args:
        seconds: longest time between two calls of `pat` while `active` returns True.
        active: whether it matters now; called in the watching thread.
        on_late: called in the watching thread, once for each hold-up, with a description.
        clock: host's monotonic clock, ns.

    Attributes:
        looked_at: host time of the thread's last turn, ns.
    """

    def __init__(
        self,
        seconds: float,
        *,
        active: Callable[[], bool],
        on_late: Callable[[str], None],
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._limit = round(seconds * 1e9)
        self._active = active
        self._on_late = on_late
        self._clock = clock
        self._last = self.looked_at = clock()
        self._is_late = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="crawl.watchdog", daemon=True)

    def start(self) -> None:
        """Start the watching thread."""
        self.looked_at = self._clock()
        self._thread.start()

    def pat(self) -> None:
        """Report that the loop came round."""
        self._last = self._clock()
        self._is_late = False

    def close(self) -> None:
        """Stop watching; harmless when never started or twice."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def look(self) -> None:
        """Take one turn of the watching thread."""
        self.looked_at = now = self._clock()
        passed = now - self._last
        if passed > self._limit and not self._is_late and self._active():
            self._is_late = True
            self._on_late(f"the loop was held up for {passed / 1e6:,.0f} ms")

    def _run(self) -> None:
        while not self._over.wait(_LOOK_SECONDS):
            self.look()
