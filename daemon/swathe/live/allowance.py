"""So many at once, and so many a second after that."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["Allowance"]


class Allowance:
    """A token bucket: a burst, which a steady rate fills up again (as in RFC 2697, section 3).

    Args:
        burst: how many at once.
        per_second: how many more each second.
        clock: ns.
    """

    def __init__(
        self, burst: int, per_second: float, *, clock: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._burst = burst
        self._per_second = per_second
        self._clock = clock
        self._tokens, self._counted = float(burst), clock()

    def has_one(self) -> bool:
        """Return whether one is left."""
        now = self._clock()
        earned = (now - self._counted) / 1e9 * self._per_second
        self._tokens, self._counted = min(self._tokens + earned, self._burst), now
        return self._tokens >= 1

    def take(self) -> bool:
        """Take one; return whether one was left."""
        left = self.has_one()
        if left:
            self._tokens -= 1
        return left
