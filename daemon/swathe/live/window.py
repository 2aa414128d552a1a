"""How many messages are on their way to the broker at once, so that none waits long behind others."""

from __future__ import annotations

from swathe.live.mirror import OF_THE_MANY, RANKS, rank_of

__all__ = ["Window"]

_SMALL = 4
_MOST = 8
# A link queues what it cannot carry: an answer that comes so much later than the soonest one, s,
# shows it (as in RFC 6817, LEDBAT, by the delay; the figure is our choice).
_QUEUED = 0.25
_SLOWER, _FASTER = 0.5, 0.125


class Window:
    """Counts messages in flight; there are fewer of the many (gaps, lines) the longer answers take."""

    def __init__(self) -> None:
        self._small = self._many = 0
        self._limit = float(_MOST)
        self._soonest: float | None = None

    @property
    def in_flight(self) -> int:
        """Messages sent and not answered."""
        return self._small + self._many

    @property
    def ranks(self) -> int:
        """Of how many of the first ranks the next message may be; the state may always go."""
        if self._small >= _SMALL:
            return 1
        return RANKS if self._many < int(self._limit) else OF_THE_MANY

    def begin(self) -> None:
        """Begin a connection, perhaps over another link: nothing is in flight on it."""
        self._small = self._many = 0
        self._limit, self._soonest = float(_MOST), None

    def sent(self, topic: str) -> None:
        """A message is on its way."""
        if _is_of_many(topic):
            self._many += 1
        else:
            self._small += 1

    def answered(self, topic: str, seconds: float | None) -> None:
        """A message was answered after `seconds`; None where it was lost with the connection."""
        if _is_of_many(topic):
            self._many -= 1
        else:
            self._small -= 1
        if seconds is None:
            return
        self._soonest = seconds if self._soonest is None else min(self._soonest, seconds)
        if seconds - self._soonest > _QUEUED:
            self._limit = max(1.0, self._limit * _SLOWER)
        else:
            self._limit = min(float(_MOST), self._limit + _FASTER)


def _is_of_many(topic: str) -> bool:
    return rank_of(topic, urgent=False) >= OF_THE_MANY
