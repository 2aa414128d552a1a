"""How long to wait before the next try."""

import random
from collections.abc import Callable


class Backoff:
    """Capped exponential delays with jitter.

    The n-th delay is min(cap, first · factor**n), shortened by a random share of at most
    `jitter`, so that many stations that lost the same server don't come back in step. (The
    scheme is common practice, no source.) It neither sleeps nor looks at a clock.
    """

    def __init__(
        self,
        *,
        first: float = 0.1,
        cap: float = 2.0,
        factor: float = 2.0,
        jitter: float = 0.5,
        random_source: Callable[[], float] = random.random,
    ) -> None:
        """Take the delays in seconds; `random_source` gives numbers in [0, 1).

        Raises:
            ValueError: a number is out of range; correct the call.
        """
        if not 0 < first <= cap:
            message = f"'first' must be > 0 and <= 'cap' (got {first!r} and {cap!r})"
            raise ValueError(message)
        if factor < 1:
            message = f"'factor' must be >= 1 (got {factor!r})"
            raise ValueError(message)
        if not 0 <= jitter < 1:
            message = f"'jitter' must be >= 0 and < 1 (got {jitter!r})"
            raise ValueError(message)
        self._first = first
        self._cap = cap
        self._factor = factor
        self._jitter = jitter
        self._random = random_source
        self._next = first
        self._tries = 0

    @property
    def tries(self) -> int:
        """Delays given since the last reset."""
        return self._tries

    def next_delay(self) -> float:
        """Seconds to wait before the next try; grows with each call."""
        delay = self._next
        self._next = min(self._cap, delay * self._factor)
        self._tries += 1
        return delay * (1 - self._jitter * self._random())

    def reset(self) -> None:
        """Begin again with the first delay, after a success."""
        self._next = self._first
        self._tries = 0
