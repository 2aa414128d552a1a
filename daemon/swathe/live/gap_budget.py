"""Which gaps have a message of their own where there are many, and where the others are.

Up to a limit every gap has one, open or closed. Beyond it the largest open ones have, and those nearest
to the probe: who scans returns to these. All others are counted, block by block, in one message.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats
from swathe.messages import Extent, GapBlock
from swathe.pipeline import GapCause, GapSnapshot

__all__ = ["GapBudget"]

# Of the limit: kept for the nearest.
_NEAREST_SHARE = 5
_MOST_BLOCKS = 128
_MOST_ROWS = 8
_FIRST_ROWS = 1024
_CAUSES = tuple(GapCause)
_ROW = np.dtype(
    [
        ("known", np.bool_),
        ("open", np.bool_),
        ("cause", np.int8),
        ("cells", np.int32),
        ("scan", np.float64, 2),
        ("index", np.float64, 2),
    ]
)


class GapBudget:
    """The gaps of a survey that have a message.

    Args:
        limit: so many at most.

    Attributes:
        shared: their numbers.
        exceeded: whether there ever were more gaps.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._rows = np.zeros(_FIRST_ROWS, _ROW)  # by number
        self._count = 0
        self._near: NDArray[np.int64] = np.empty(0, np.int64)
        self.shared: set[int] = set()
        self.exceeded = False

    def note(self, gap: GapSnapshot) -> None:
        """Note a gap as it is now."""
        while gap.number >= self._rows.size:
            self._rows = np.concatenate((self._rows, np.zeros(self._rows.size, _ROW)))
        row = self._rows[gap.number]
        self._count += not row["known"]
        row["known"], row["open"], row["cells"] = True, gap.is_open, gap.cells
        row["cause"] = _CAUSES.index(gap.cause)
        row["scan"], row["index"] = gap.scan, gap.index

    @property
    def all_shared(self) -> bool:
        """Whether every gap has a message."""
        return self._count <= self._limit

    def look_round(self, scan: float | None, index: float | None) -> None:
        """Choose the nearest open gaps to the probe; those of before where it is not known."""
        if scan is None or self.all_shared:
            return
        numbers = np.flatnonzero(self._rows["open"])
        most = self._limit // _NEAREST_SHARE
        if numbers.size > most:
            rows = self._rows[numbers]
            away = np.hypot(_outside(rows["scan"], scan), _outside(rows["index"], index))
            numbers = numbers[np.argpartition(away, most - 1)[:most]]
        self._near = numbers

    def choose(self) -> tuple[set[int], set[int]]:
        """Return the gaps that have a message from now on, and those that have none any more."""
        before = self.shared
        if self.all_shared:
            self.shared = set(np.flatnonzero(self._rows["known"]).tolist())
        else:
            self.exceeded = True
            self.shared = self._chosen()
        return self.shared - before, before - self.shared

    def _chosen(self) -> set[int]:
        rows = self._rows
        near = self._near[rows["open"][self._near]]
        # Of equal ones the older first, so that the choice does not change without a reason.
        rank = rows["cells"].astype(np.int64) * rows.size + rows.size - np.arange(rows.size)
        rank += np.where(rows["open"], np.int64(1) << 62, 0)
        rank[~rows["known"]] = -1
        rank[near] = -1
        most = self._limit - near.size
        largest = np.argpartition(-rank, most - 1)[:most]
        return set(near.tolist()) | set(largest[rank[largest] >= 0].tolist())

    def blocks(
        self, scan: tuple[float, float], index: tuple[float, float], lines: int
    ) -> tuple[GapBlock, ...]:
        """Return where all open gaps are, by blocks of the plan without those that have none.

        Args:
            scan: of the plan, mm.
            index: likewise.
            lines: of the grid: there are no more rows of blocks.
        """
        rows = self._rows[self._rows["open"]]
        height = min(lines, _MOST_ROWS)
        width = _MOST_BLOCKS // height
        down = _block_of(rows["index"], index, height)
        along = _block_of(rows["scan"], scan, width)
        block = down * width + along
        gaps = np.bincount(block, minlength=height * width)
        cells = np.bincount(block, weights=rows["cells"], minlength=height * width)
        return tuple(
            GapBlock(
                scan=_extent(scan, width, place % width),
                index=_extent(index, height, place // width),
                gaps=int(gaps[place]),
                cells=int(cells[place]),
            )
            for place in np.flatnonzero(gaps).tolist()
        )

    @property
    def open_causes(self) -> dict[GapCause, int]:
        """Number of open gaps by their commonest cause."""
        counts = np.bincount(self._rows["cause"][self._rows["open"]], minlength=len(_CAUSES))
        return {cause: int(n) for cause, n in zip(_CAUSES, counts, strict=True) if n}

    @property
    def open_cells(self) -> int:
        """Cells of all open gaps."""
        return int(self._rows["cells"][self._rows["open"]].sum())

    @property
    def open_count(self) -> int:
        """Number of open gaps."""
        return int(np.count_nonzero(self._rows["open"]))

    @property
    def open_shared(self) -> int:
        """Number of open gaps that have a message."""
        return sum(bool(self._rows["open"][number]) for number in self.shared)


def _outside(extents: Floats, at: float | None) -> Floats:
    """Return how far a position is outside of each extent, mm; 0 where it is not known."""
    if at is None:
        return np.zeros(len(extents))
    return np.asarray(np.maximum(0.0, np.maximum(extents[:, 0] - at, at - extents[:, 1])))


def _block_of(extents: Floats, plan: tuple[float, float], count: int) -> NDArray[np.int64]:
    share = (extents.mean(axis=1) - plan[0]) / (plan[1] - plan[0])
    return np.asarray(np.clip((share * count).astype(np.int64), 0, count - 1))


def _extent(plan: tuple[float, float], count: int, place: int) -> Extent:
    step = (plan[1] - plan[0]) / count
    return Extent(plan[0] + place * step, plan[0] + (place + 1) * step)
