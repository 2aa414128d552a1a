"""Whether the daemon's own loop came round: nothing was taken, shown or stopped while it did not."""

from __future__ import annotations

__all__ = ["LoopWatch"]

_LATE_NS = 1_000_000_000
_SHOWN_NS = 10_000_000_000


class LoopWatch:
    """Notes when rounds of the loop were late; reads no clock.

    Attributes:
        stalls: how often a round came more than a second late.
    """

    def __init__(self) -> None:
        self.stalls = 0
        self._last: int | None = None
        self._longest = self._newest = 0
        self._shown_until = 0

    def note(self, now: int) -> None:
        """Note a round that began at `now`, host time in ns."""
        late = 0 if self._last is None else now - self._last
        self._last = now
        if late > _LATE_NS:
            self.stalls += 1
            self._newest, self._longest = late, max(late, self._longest)
            self._shown_until = now + _SHOWN_NS

    def text(self, now: int) -> str:
        """Return the text of the alarm, for 10 s after a late round; empty without one."""
        if now >= self._shown_until:
            return ""
        times = "once" if self.stalls == 1 else f"{self.stalls} times"
        return (
            f"the daemon itself was held up for {self._newest / 1e9:.1f} s; {times} in this run, for "
            f"{self._longest / 1e9:.1f} s at most: see what else this computer does"
        )
