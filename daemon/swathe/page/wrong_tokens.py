"""Guesses of a page's token: answered late, few at a time, logged, and shown as an alarm.

A right token is compared first and accepted at once, also from an address from which others guess.
What protects the page is that a token cannot be guessed; slow answers keep those who try from taking
the machine's time. A cookie that is wrong is most often one of an earlier run, and counts less.

(The numbers are our choice, no source.)
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections import Counter, deque
from collections.abc import Callable

__all__ = ["TOO_MANY_GUESSES", "WrongTokens"]

TOO_MANY_GUESSES = 429, "too many wrong tokens: wait"
"""Status (RFC 6585) and reason where no more guesses are answered for the moment."""

_ANSWER_SECONDS = 1.0
_MOST_OF_PEER = 4
_MOST = 32
_WINDOW_SECONDS = 60.0
_LOG_SECONDS = 10.0
_MAX_PEERS = 64
_WEIGHTS = {"token": 20, "cookie": 1}
_LEVELS = (5, 100, 1000, 10_000, 100_000)  # tokens within the window that change the alarm's text

_log = logging.getLogger(__name__)


class WrongTokens:
    """Follows the wrong tokens of a page.

    Args:
        clock: monotonic seconds.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._waiting: Counter[str] = Counter()
        # By second of the window, so that memory does not depend on the number of guesses.
        self._seconds: deque[tuple[int, int]] = deque()
        self._sum = 0
        self._peers: set[str] = set()
        self._level = 0
        self._unlogged = 0
        self._logged = float("-inf")

    @property
    def text(self) -> str:
        """The alarm's text; empty without enough wrong tokens within the last minute."""
        self._forget()
        if not self._sum:
            self._peers.clear()
            self._level = 0
        if not self._level:
            return ""
        origin = next(iter(self._peers)) if len(self._peers) == 1 else "several addresses"
        return f"{self._level} or more within a minute, from {origin}: none was accepted"

    async def delay(self, peer: str, guess: str) -> bool:
        """Note a wrong guess and wait; return False if too many wait already.

        Args:
            peer: who guesses.
            guess: ``token`` or ``cookie``.
        """
        self._note(peer, _WEIGHTS[guess])
        if self._waiting[peer] >= _MOST_OF_PEER or self._waiting.total() >= _MOST:
            if not self._waiting[peer]:
                del self._waiting[peer]
            return False
        self._waiting[peer] += 1
        try:
            await asyncio.sleep(_ANSWER_SECONDS)
        finally:
            self._waiting[peer] -= 1
            if not self._waiting[peer]:
                del self._waiting[peer]
        return True

    def _note(self, peer: str, weight: int) -> None:
        now = self._clock()
        self._forget()
        second = int(now)
        if self._seconds and self._seconds[-1][0] == second:
            weight_before = self._seconds.pop()[1]
            self._seconds.append((second, weight_before + weight))
        else:
            self._seconds.append((second, weight))
        self._sum += weight
        if len(self._peers) < _MAX_PEERS:
            self._peers.add(peer)
        reached = [level for level in _LEVELS if self._sum >= level * _WEIGHTS["token"]]
        self._level = max(self._level, *reached, 0)
        self._unlogged += 1
        if now - self._logged >= _LOG_SECONDS:
            _log.warning("wrong tokens at the page: %d, the newest from %s", self._unlogged, peer)
            self._logged, self._unlogged = now, 0

    def _forget(self) -> None:
        oldest = self._clock() - _WINDOW_SECONDS
        while self._seconds and self._seconds[0][0] < oldest:
            self._sum -= self._seconds.popleft()[1]
