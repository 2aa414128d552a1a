"""When which bytes are sent to a device; no input or output, no clock.

Whoever owns the port calls `opened`, then `due` until it gives nothing more, reports what
arrives by `received`, and comes back after `wait_ns` at the latest.

Where an answer does not name its request, only when it comes shows which one it answers. So that a
late or a second answer is not taken for that to the next request, and each later one for the next:

- After a request was given up nothing is sent until its answer came after all, or nothing has come
  for another time-out.
- The next request is not sent before the time that answers usually take at the most has passed
  since the one before, though the answer is there: what else answers that one comes before the next.

Neither applies where the answer carries the number of its request.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.talk.answers import AnswerFinder

# What answers usually take at the most is the longest of so many latencies and an eighth more; those
# that are so many times the median do not count, so that one hiccup slows nothing.
_LATENCIES: Final = 32
_HICCUP: Final = 4


@dataclass(frozen=True, slots=True)
class Request:
    """A request that is sent again and again.

    Attributes:
        make: its bytes, from how many requests went before it.
        every_ns: from one to the next, ns, where the answers are quick enough.
        numbered: whether its answer carries a number that no other recent request has.
    """

    make: Callable[[int], bytes]
    every_ns: int
    numbered: bool = False


class Schedule:
    """What is sent to one device, and when; its bounds do not depend on what the device sends.

    Attributes:
        stop: commands before the port is closed.
        pause_ns: behind each command, ns.
        commands: what is sent and is no request: no record answers it.
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
        unasked: bool = False,
        quiet_ns: int = 0,
    ) -> None:
        """Take what is to be sent.

        Args:
            answers: finds the end of an answer.
            start: commands after each opening.
            stop: commands before the port is closed.
            pause_ns: behind each command, ns.
            requests: what is sent again and again.
            timeout_ns: within which an answer must be complete, ns.
            keep_alive: bytes, and after how long without a transmission they are sent, ns.
            unasked: whether the device also sends by itself: then no silence is waited for.
            quiet_ns: silence behind the last byte received before anything is sent, ns.
        """
        self.stop: Final = tuple(stop)
        self.pause_ns: Final = pause_ns
        self.sent = 0
        self.unanswered = 0
        self._answers = answers
        self._start = tuple(start)
        self._requests = tuple(requests)
        alive = set() if keep_alive is None else {keep_alive[0]}
        fixed = {request.make(0) for request in requests}
        self.commands: Final = frozenset({*start, *stop, *alive} - fixed)
        self._timeout = timeout_ns
        self._keep_alive = keep_alive
        self._unasked = unasked
        self._quiet = quiet_ns
        self._given_up: list[bytes] = []
        self.opened(0)

    @property
    def asks(self) -> bool:
        """Whether requests are sent again and again: the device sends on request."""
        return bool(self._requests)

    @property
    def only_answers(self) -> bool:
        """Whether the device sends nothing but answers to requests."""
        return self.asks and not self._unasked

    def opened(self, now: int) -> None:
        """The port is open, perhaps again: everything begins again."""
        self._queue = deque(self._start)
        self._free_at = self._quiet_at = now
        self._due = [now] * len(self._requests)
        self._pending: bytes | None = None
        self._numbered = False  # whether the answer to the pending request names it
        self._asked_at = now
        self._deadline = now
        self._clear_at: int | None = None  # while an answer that was given up may still come
        self._latencies: deque[int] = deque(maxlen=_LATENCIES)
        self._last = now

    def received(self, data: bytes, now: int) -> None:
        """Bytes arrived."""
        if data:
            self._quiet_at = now + self._quiet
        if self._pending is not None:
            if self._answers.feed(data, now):
                self._answered(now)
        elif self._clear_at is not None:
            # It came after all; or a part of it, and as long as before is waited for the rest.
            complete = self._answers.feed(data, now)
            self._clear_at = None if complete else now + self._timeout

    def lost(self) -> None:
        """The port was lost; a request under way won't be answered."""
        if self._pending is not None:
            self._give_up(self._pending)

    def due(self, now: int) -> bytes | None:
        """What is to be sent now; None if nothing is. It counts as sent."""
        settles = self._answers.settles_at
        settled = settles is not None and now >= settles
        if self._pending is not None:
            if settled:
                self._answered(now)
            elif now >= self._deadline:
                self._give_up(self._pending)
                if not (self._numbered or self._unasked):
                    self._clear_at = now + self._timeout
            else:
                return None
        if self._clear_at is not None:
            if not settled and now < self._clear_at:
                return None
            self._clear_at = None
        if now < max(self._free_at, self._quiet_at):
            return None
        data: bytes | None = None
        if self._queue:
            data = self._queue.popleft()
            self._free_at = now + self.pause_ns
        elif self._requests and max(min(self._due), self._next_at) <= now:
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
        if self._pending is not None or self._clear_at is not None:
            settles = self._answers.settles_at
            then = self._deadline if self._clear_at is None else self._clear_at
            return max(0, (then if settles is None else min(settles, then)) - now)
        times: list[int] = []
        if self._queue:
            times.append(self._free_at)
        else:
            times += [max(due, self._next_at) for due in self._due]
            if self._keep_alive is not None:
                times.append(self._last + self._keep_alive[1])
        return max(0, max(self._free_at, self._quiet_at, min(times)) - now) if times else None

    @property
    def _next_at(self) -> int:
        """Time before which no request is sent, ns; see the module."""
        if self._numbered or self._unasked or len(self._latencies) < 2:
            return self._asked_at
        latencies = sorted(self._latencies)
        most = _HICCUP * latencies[(len(latencies) - 1) // 2]
        longest = max(latency for latency in latencies if latency <= most)
        return self._asked_at + longest + longest // 8

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
        self._numbered, self._asked_at = request.numbered, now
        self._answers.begin(data)
        return data

    def _answered(self, now: int) -> None:
        self._latencies.append(now - self._asked_at)
        self._pending = None

    def _give_up(self, request: bytes) -> None:
        self.unanswered += 1
        self._given_up.append(request)
        self._pending = None
