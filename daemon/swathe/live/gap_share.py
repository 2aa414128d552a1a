"""Which gaps the broker has where there are many: open ones before closed ones, large ones first."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

__all__ = ["GapPlace", "GapShare"]


@dataclass(frozen=True, slots=True)
class GapPlace:
    """What is to be done with the message of a gap.

    Attributes:
        send: whether it is published.
        clear: topic that the broker is to forget for it; empty for none.
        again: topic of a gap that is to be published now that there is room; empty for none.
    """

    send: bool
    clear: str = ""
    again: str = ""


class GapShare:
    """The topics of gaps that the broker has, at most `limit`.

    Whoever connects late receives these, and no more; how many gaps are open is in the progress.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._kept: dict[str, tuple[bool, int]] = {}
        self._left: dict[str, int] = {}  # open ones that the broker does not have, by cells
        self._lowest: list[tuple[bool, int, str]] = []
        self._largest: list[tuple[int, str]] = []

    def __contains__(self, topic: object) -> bool:
        return topic in self._kept

    def place(self, topic: str, *, is_open: bool, cells: int) -> GapPlace:
        """Return what is to be done with the newest message of a gap."""
        rank = is_open, cells
        if topic in self._kept or len(self._kept) < self._limit:
            self._keep(topic, rank)
            return GapPlace(send=True, again="" if is_open else self._largest_left())
        victim = self._find_lowest()
        if rank <= self._kept[victim]:
            self._leave(topic, rank)
            return GapPlace(send=False)
        self._leave(victim, self._kept.pop(victim))
        self._keep(topic, rank)
        return GapPlace(send=True, clear=victim)

    def _keep(self, topic: str, rank: tuple[bool, int]) -> None:
        self._left.pop(topic, None)
        self._kept[topic] = rank
        heapq.heappush(self._lowest, (*rank, topic))
        if len(self._lowest) > 4 * self._limit:
            self._lowest = [(*rank, one) for one, rank in self._kept.items()]
            heapq.heapify(self._lowest)

    def _leave(self, topic: str, rank: tuple[bool, int]) -> None:
        is_open, cells = rank
        if is_open:
            self._left[topic] = cells
            heapq.heappush(self._largest, (-cells, topic))
        else:
            self._left.pop(topic, None)

    def _find_lowest(self) -> str:
        while True:
            is_open, cells, topic = self._lowest[0]
            if self._kept.get(topic) == (is_open, cells):
                return topic
            heapq.heappop(self._lowest)

    def _largest_left(self) -> str:
        while self._largest:
            cells, topic = self._largest[0]
            if self._left.get(topic) == -cells:
                return topic
            heapq.heappop(self._largest)
        return ""
