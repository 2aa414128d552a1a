"""How often the daemon's loop comes round, and what is due in a round: as seldom as its promises allow.

A round takes what has arrived. No arrival wakes the loop before, so that a thousand arrivals a second
cost no more rounds than ten. What the intervals keep:

- a gap is published within 250 ms: gaps open and close at instants 50 ms apart, and a tick computes
  them 120 ms later at most. Where much arrives of each device, each round has a tick;
- a kill loses nothing older than 50 ms: an arrival waits 8 ms at most in its port, where those of a
  device with a clock are gathered, and 40 ms at most for its round, which hands it to the operating
  system before it computes anything; where a crawler has quicker rounds, not each of them does. For as
  long as the computer gives the daemon no processor, or holds up a write, the loss grows;
- a power cut loses what was not synced: nothing older than 200 ms, and for as long as a sync takes;
- the guards of a crawler that may move are looked at every 8 ms, and its encoder is decoded as often.
"""

from __future__ import annotations

__all__ = ["Pace"]

_ROUND_NS = 40_000_000
_CRAWLER_ROUND_NS = 10_000_000
_MOVING_ROUND_NS = 8_000_000
# A tick costs the same for one reading of a device as for a hundred, and with many devices many times that.
_TICK_NS = 120_000_000
_CRAWLER_TICK_NS = 20_000_000
_MUCH_BYTES_EACH = 2048
_FLUSH_NS = 30_000_000
# A sync takes as much of the processor as a tick, and wears a disk; it is for power cuts.
_SYNC_NS = 100_000_000
# One round may be later than the next: what is due within half a round is due.
_EARLY_NS = 4_000_000
# Whatever a round took, other tasks get their turn.
_SHORTEST_WAIT_NS = 1_000_000


class Pace:
    """What is due in a round, by the host's time at which it began; reads no clock.

    Args:
        now: host's time, ns.
        checkpoint_ns: interval of checkpoints, ns.
        crawls: whether there is a crawler that may be armed.
        devices: how many send.
    """

    def __init__(self, now: int, *, checkpoint_ns: int, crawls: bool, devices: int = 2) -> None:
        self._now = self._next = self._saved = now
        self._checkpoint_ns = checkpoint_ns
        self._crawls = crawls
        self._much = _MUCH_BYTES_EACH * max(devices, 2)
        self._moving = False
        self._bytes = 0  # taken since the last tick
        self._ticked = self._flushed = self._synced = now - max(_TICK_NS, _SYNC_NS)

    def begin(self, now: int, *, moving: bool) -> None:
        """Begin a round.

        Args:
            now: host's time, ns.
            moving: whether the crawler may be moving.
        """
        self._now = now
        self._moving = moving

    def take(self, size: int) -> None:
        """Count `size` bytes that this round took from the ports."""
        self._bytes += size

    def tick(self) -> bool:
        """Return whether a tick is due; it counts as made."""
        interval = _CRAWLER_TICK_NS if self._crawls else _TICK_NS
        if self._moving:
            interval = _MOVING_ROUND_NS
        much = self._bytes >= self._much
        if not much and self._now < self._ticked + interval - _EARLY_NS:
            return False
        self._ticked, self._bytes = self._now, 0
        return True

    def flush(self) -> bool:
        """Return whether the journal is to be flushed; it counts as flushed."""
        if self._now < self._flushed + _FLUSH_NS - _EARLY_NS:
            return False
        self._flushed = self._now
        return True

    def sync(self) -> bool:
        """Return whether a flush is to be synced to the disk; it counts as synced."""
        if self._now < self._synced + _SYNC_NS - _EARLY_NS:
            return False
        self._synced = self._now
        return True

    def checkpoint(self, *, busy: bool) -> bool:
        """Return whether a checkpoint is to begin, which it does not while one is `busy`."""
        if busy or self._now < self._saved + self._checkpoint_ns:
            return False
        self._saved = self._now
        return True

    def wait(self, now: int, *, more: bool = False) -> float:
        """Return how long to wait for the next round, s.

        Args:
            now: host's time at the end of this one, ns.
            more: whether more has arrived than this round took.
        """
        if more:
            self._next = now + _SHORTEST_WAIT_NS
            return _SHORTEST_WAIT_NS / 1e9
        interval = _MOVING_ROUND_NS
        if not self._moving:
            interval = _CRAWLER_ROUND_NS if self._crawls else _ROUND_NS
        # At an even pace; rounds that a long one left out are not made up for.
        self._next = max(self._next + interval, now + _SHORTEST_WAIT_NS)
        return (self._next - now) / 1e9
