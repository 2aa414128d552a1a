"""Gaps gathered for a short list: a stretch driven too fast is one place to go back to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from swathe.pipeline import GapCause, GapSnapshot

__all__ = ["Cluster", "cluster_gaps"]


@dataclass(slots=True)
class Cluster:
    """Gaps of one cause side by side on the same lines.

    Attributes:
        numbers: of the gaps.
        cause: theirs.
        scan: from the first to the last, mm.
        index: mm.
        cells: of all.
    """

    numbers: list[int]
    cause: GapCause
    scan: tuple[float, float]
    index: tuple[float, float]
    cells: int


def cluster_gaps(gaps: Iterable[GapSnapshot], *, reach: float) -> list[Cluster]:
    """Return the gaps, those of one cause on the same lines within `reach` mm as one."""
    clusters: list[Cluster] = []
    for gap in sorted(gaps, key=lambda gap: (gap.index, gap.cause, gap.scan)):
        last = clusters[-1] if clusters else None
        if (
            last is not None
            and (last.index, last.cause) == (gap.index, gap.cause)
            and gap.scan[0] - last.scan[1] <= reach
        ):
            last.numbers.append(gap.number)
            last.scan = (last.scan[0], max(last.scan[1], gap.scan[1]))
            last.cells += gap.cells
        else:
            clusters.append(Cluster([gap.number], gap.cause, gap.scan, gap.index, gap.cells))
    return clusters
