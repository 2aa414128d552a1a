"""When which bytes are sent to a device; no input or output, no clock.

Whoever owns the port calls `opened`, then `due` until it gives nothing more, reports what
arrives by `received`, and comes back after `wait_ns` at the latest.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.talk.answers import AnswerFinder


@dataclass(frozen=True, slots=True)
class Request:
    """A request that is sent again and again.

    Attributes:
        make: its bytes, from how many requests went before it.
        every_ns: from one to the next, ns, where the answers are quick enough.
    """

    make: Callable[[int], bytes]
    every_ns: int


class Schedule:
    """What is sent to one device, and when; its bounds do not depend on what the device sends.

    Attributes:
        sent: requests sent since the beginning.
        unanswered: those of them that got no answer in time.
    """

    def __init__(
        self,
        *,
        answers: AnswerFinder,
        start: Sequence[bytes] = (),
        stop: Sequence[bytes] = (),
        pause_ns: int = 0,
        requests: Sequence[Request] = (),
        timeout_ns: int = 500_000_000,
        keep_alive: tuple[bytes, int] | None = None,
    ) -> None:
        self.stop: Final = tuple(stop)
        self.pause_ns: Final = pause_ns
        self.sent = 0
        self.unanswered = 0
        self._answers = answers
        self._start = tuple(start)
        self._requests = tuple(requests)
        self._timeout = timeout_ns
        self._keep_alive = keep_alive
        self._given_up: list[bytes] = []
        self.opened(0)

    def opened(self, now: int) -> None:
        """The port is open, perhaps again: everything begins again."""
        self._queue = deque(self._start)
        self._free_at = now
        self._due = [now] * len(self._requests)
        self._pending: bytes | None = None
        self._deadline = now
        self._last = now

    def received(self, data: bytes, now: int) -> None:
        """Bytes arrived."""
        if self._pending is not None and self._answers.feed(data, now):
            self._pending = None

    def lost(self) -> None:
        """The port was lost; a request under way won't be answered."""
        if self._pending is not None:
            self._give_up(self._pending)

    def due(self, now: int) -> bytes | None:
        """What is to be sent now; None if nothing is. It counts as sent."""
        if self._pending is not None:
            settles = self._answers.settles_at
            if settles is not None and now >= settles:
                self._pending = None
            elif now >= self._deadline:
                self._give_up(self._pending)
            else:
                return None
        if now < self._free_at:
            return None
        data: bytes | None = None
        if self._queue:
            data = self._queue.popleft()
            self._free_at = now + self.pause_ns
        elif self._requests and min(self._due) <= now:
            data = self._ask(self._due.index(min(self._due)), now)
        elif self._keep_alive is not None and now - self._last >= self._keep_alive[1]:
            data = self._keep_alive[0]
        if data is not None:
            self._last = now
        return data

    def given_up(self) -> list[bytes]:
        """The requests that were given up as unanswered since the last call."""
        found, self._given_up = self._given_up, []
        return found

    def wait_ns(self, now: int) -> int | None:
        """After what time something may be due even if nothing arrives; None: never."""
        if self._pending is not None:
            settles = self._answers.settles_at
            then = self._deadline if settles is None else min(settles, self._deadline)
            return max(0, then - now)
        times: list[int] = []
        if self._queue:
            times.append(self._free_at)
        else:
            times += self._due
            if self._keep_alive is not None:
                times.append(self._last + self._keep_alive[1])
        return max(0, max(self._free_at, min(times)) - now) if times else None

    def _ask(self, index: int, now: int) -> bytes:
        request = self._requests[index]
        data = request.make(self.sent)
        self.sent += 1
        # By the clock as long as the answers are quick enough, else as soon as there is one:
        # what was missed is not made good by a burst.
        self._due[index] += request.every_ns
        if self._due[index] <= now:
            self._due[index] = now + request.every_ns
        self._pending, self._deadline = data, now + self._timeout
        self._answers.begin(data)
        return data

    def _give_up(self, request: bytes) -> None:
        self.unanswered += 1
        self._given_up.append(request)
        self._pending = None
