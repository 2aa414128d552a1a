"""A thread that stops the crawler when the daemon itself is held up: nobody watches then."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

__all__ = ["Watchdog"]

_LOOK_SECONDS = 0.05


class Watchdog:
    """Watches that somebody comes round often enough.

    Args:
        seconds: longest time between two calls of `pat` while `active` says so.
        active: whether it matters now; asked in the watching thread.
        on_late: is called in the watching thread, once each time, with what is known.
    """

    def __init__(
        self, seconds: float, *, active: Callable[[], bool], on_late: Callable[[str], None]
    ) -> None:
        self._seconds = seconds
        self._active = active
        self._on_late = on_late
        self._last = time.monotonic()
        self._told = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="crawl.watchdog", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def pat(self) -> None:
        """Tell that somebody is there."""
        self._last = time.monotonic()
        self._told = False

    def close(self) -> None:
        """Watch no more; harmless when never started or twice."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._over.wait(_LOOK_SECONDS):
            gone = time.monotonic() - self._last
            if gone > self._seconds and not self._told and self._active():
                self._told = True
                self._on_late(f"nobody watched for {gone:.1f} s")
