"""The topics of gaps: all where there are few, the largest and nearest and an index where there are many."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from swathe.live.gap_budget import GapBudget
from swathe.live.mirror import Mirror
from swathe.messages import GapIndexMessage, Heading, Topics
from swathe.pipeline import GapSnapshot, Pipeline
from swathe.pipeline.progress.snapshots import gap_snapshot
from swathe.station import BrokerSettings

__all__ = ["GapTopics"]

# Of very many gaps: from choice to choice, from one look for the nearest to the next, and of the index.
_CHOICE_NS = 250_000_000
_NEAREST_NS = 2_000_000_000
_INDEX_NS = 1_000_000_000


class GapTopics:
    """Decides which gaps of a survey have a topic, and puts the index of all.

    Args:
        mirror: has the messages.
        pipeline: of the survey.
        heading: returns that of a message.
    """

    def __init__(self, mirror: Mirror, pipeline: Pipeline, heading: Callable[[], Heading]) -> None:
        self._mirror, self._pipeline, self._heading = mirror, pipeline, heading
        self._topics = Topics(pipeline.station.name)
        self._budget = GapBudget((pipeline.station.broker or BrokerSettings()).gaps)
        self._waiting: dict[int, GapSnapshot] = {}
        self._choice_due = self._nearest_due = self._index_due = 0
        self._changed = False

    def moved_to(self, mirror: Mirror, heading: Callable[[], Heading]) -> GapTopics:
        """Return these for another mirror, which takes over the messages."""
        self._mirror, self._heading = mirror, heading
        return self

    def take(self, gaps: Sequence[GapSnapshot], now: int | None) -> Sequence[GapSnapshot]:
        """Return the gaps that get a message now.

        Args:
            gaps: that changed.
            now: host's time, ns; None where all are given, and nothing waits.
        """
        budget = self._budget
        for gap in gaps:
            budget.note(gap)
        if not budget.exceeded and budget.all_shared:
            if gaps:
                budget.choose()
            return gaps
        self._changed = self._changed or bool(gaps)
        self._waiting |= {gap.number: gap for gap in gaps}
        # What has a topic is shown as it is; a gap that has none waits for the next choice.
        put = [gap for gap in gaps if gap.number in budget.shared]
        if now is None or now >= self._choice_due:
            put += self._choose(now)
        if self._changed and (now is None or now >= self._index_due):
            self._index_due = (now or 0) + _INDEX_NS
            self._changed = False
            self._mirror.put(self._topics.gap_index, self._index())
        return put

    def _choose(self, now: int | None) -> list[GapSnapshot]:
        """Return the gaps that get a topic now, and remove those of which others take the place."""
        moved = now is None or now >= self._nearest_due
        if moved:
            self._nearest_due = (now or 0) + _NEAREST_NS
            self._budget.look_round(*self._pipeline.position)
        if not (moved or self._waiting):
            return []
        self._choice_due = (now or 0) + _CHOICE_NS
        added, removed = self._budget.choose()
        for number in sorted(removed):
            self._mirror.remove(self._topics.gap(number))
        found = []
        for number in sorted(added):
            gap = self._pipeline.coverage.gaps.find(number)
            if number in self._waiting:
                found.append(self._waiting[number])
            elif gap is not None:
                found.append(gap_snapshot(gap, self._pipeline.station))
        self._waiting.clear()
        return found

    def _index(self) -> GapIndexMessage:
        budget, grid = self._budget, self._pipeline.grid
        return GapIndexMessage(
            **self._heading(),
            open=budget.open_count,
            cells=budget.open_cells,
            causes=budget.open_causes,
            listed=budget.open_shared,
            blocks=budget.blocks(
                grid.scan.edges(0, grid.scan.cells - 1),
                grid.index.edges(0, grid.index.cells - 1),
                grid.index.cells,
            ),
        )
