"""The open gaps on the board: those of a stretch together, the nearest first."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from swathe.board.stations import StationView
from swathe.messages import Extent, ProgressMessage
from swathe.pipeline import GapCause, GapSnapshot
from swathe.pipeline.progress.fields import extent_text

__all__ = ["GapCluster", "cluster_gaps", "gap_clusters", "gap_list"]

# Gaps of one line no farther apart than this are one place to return to.
_REACH_CELLS = 10


@dataclass(slots=True)
class GapCluster:
    """Gaps of one cause next to each other on the same lines.

    Attributes:
        numbers: of the gaps.
        cause: theirs.
        scan: from the first to the last, mm.
        index: mm.
        cells: of all.
    """

    numbers: list[int]
    cause: GapCause
    scan: Extent
    index: Extent
    cells: int


def cluster_gaps(gaps: Iterable[GapSnapshot], *, reach: float) -> list[GapCluster]:
    """Return the gaps, those of one cause on the same lines within `reach` mm as one."""
    clusters: list[GapCluster] = []
    for gap in sorted(gaps, key=lambda gap: (gap.index, gap.cause, gap.scan)):
        last = clusters[-1] if clusters else None
        if (
            last is not None
            and (last.index, last.cause) == (gap.index, gap.cause)
            and gap.scan.low - last.scan.high <= reach
        ):
            last.numbers.append(gap.number)
            last.scan = Extent(last.scan.low, max(last.scan.high, gap.scan.high))
            last.cells += gap.cells
        else:
            clusters.append(GapCluster([gap.number], gap.cause, gap.scan, gap.index, gap.cells))
    return clusters


def gap_clusters(view: StationView) -> list[GapCluster]:
    """Return where to return to, nearest first; gaps of a stretch are one."""
    plan = None if view.state is None else view.state.plan
    reach = _REACH_CELLS * (plan.scan_resolution if plan is not None else 1.0)
    return sorted(
        cluster_gaps(view.open_gaps(), reach=reach), key=lambda gap: _distance(gap, view.progress)
    )


def gap_list(clusters: list[GapCluster], view: StationView, most: int) -> RenderableType:
    """Return the first clusters as a table, `most` rows, a heading and how many there are more."""
    if not clusters:
        return Text("no open gap", style="dim")
    wanted = {one.gap for one in view.rescan.wanted} if view.rescan is not None else set()
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for heading in ("gap", "away mm", "scan mm", *(() if view.is_profile else ("index mm",))):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("cells", justify="right", no_wrap=True)
    table.add_column("cause", no_wrap=True)
    for cluster in clusters[:most]:
        first, last = min(cluster.numbers), max(cluster.numbers)
        next_ = ", wanted next" if wanted & set(cluster.numbers) else ""
        table.add_row(
            str(first) if first == last else f"{first}…{last}",
            f"{_distance(cluster, view.progress):.0f}",
            extent_text(cluster.scan),
            *(() if view.is_profile else (extent_text(cluster.index),)),
            f"{cluster.cells:,}",
            f"{cluster.cause}{next_}",
        )
    if (more := len(clusters) - most) > 0:
        return Group(table, Text(f"and {more:,} more", style="dim"))
    return table


def _distance(gap: GapCluster, progress: ProgressMessage | None) -> float:
    """Return how far the probe is from a cluster, mm; 0 while its position is unknown."""
    if progress is None:
        return 0.0
    total = 0.0
    for at, (low, high) in ((progress.scan, gap.scan), (progress.index, gap.index)):
        if at is not None:
            total += max(low - at, at - high, 0.0) ** 2
    return math.sqrt(total)
