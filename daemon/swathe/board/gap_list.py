"""The open gaps on the board: those of a stretch together, the nearest first."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from swathe.board.fitting import fitted_parts
from swathe.board.stations import StationView
from swathe.messages import Extent
from swathe.pipeline import GapCause, GapSnapshot
from swathe.pipeline.progress.fields import distance_to, extent_text
from swathe.pipeline.progress.snapshots import causes_text, probe_names

__all__ = ["GapCluster", "cluster_gaps", "gap_clusters", "gap_line", "gap_list"]

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
        causes: cells by cause: a gap may have some of another cause.
        probes: names of those that passed them, of a station with several.
    """

    numbers: list[int]
    cause: GapCause
    scan: Extent
    index: Extent
    cells: int
    causes: Counter[GapCause]
    probes: list[str]

    def add(self, gap: GapCluster) -> None:
        """Add the gaps of another cluster, but for its extents."""
        self.numbers += gap.numbers
        self.cells += gap.cells
        self.causes.update(gap.causes)
        self.probes += [name for name in gap.probes if name not in self.probes]

    @property
    def causes_text(self) -> str:
        """The causes, and the probes of a station with several."""
        text = causes_text(self.causes)
        return f"{text} ({probe_names(self.probes)})" if self.probes else text


def cluster_gaps(
    gaps: Iterable[GapSnapshot], *, reach: float, turn: Extent | None = None
) -> list[GapCluster]:
    """Return the gaps, those of one cause on the same lines within `reach` mm as one.

    Args:
        gaps: any.
        reach: mm along the scan axis.
        turn: of a scan axis that is a circumference, from where to where its positions read: gaps
            on either side of the seam are neighbours.
    """
    clusters: list[GapCluster] = []
    for one in sorted(gaps, key=lambda gap: (gap.index, gap.cause, gap.scan)):
        gap = GapCluster(
            [one.number], one.cause, one.scan, one.index, one.cells, Counter(one.causes),
            list(one.probes),
        )  # fmt: skip
        last = clusters[-1] if clusters else None
        if (
            last is not None
            and (last.index, last.cause) == (gap.index, gap.cause)
            and gap.scan.low - last.scan.high <= reach
        ):
            last.scan = Extent(last.scan.low, max(last.scan.high, gap.scan.high))
            last.add(gap)
        else:
            clusters.append(gap)
    return clusters if turn is None else _over_seam(clusters, reach, turn.high - turn.low)


def _over_seam(clusters: list[GapCluster], reach: float, turn: float) -> list[GapCluster]:
    """Join the first and the last cluster of the same lines and cause where the seam parts them."""
    first: dict[tuple[Extent, GapCause], GapCluster] = {}
    joined: list[GapCluster] = []
    for cluster in clusters:
        begin = first.setdefault((cluster.index, cluster.cause), cluster)
        if begin is not cluster and begin.scan.low + turn - cluster.scan.high <= reach:
            joined.append(cluster)
    for cluster in joined:
        begin = first[cluster.index, cluster.cause]
        begin.scan = Extent(cluster.scan.low, begin.scan.high + turn)
        begin.add(cluster)
    return [cluster for cluster in clusters if cluster not in joined]


def gap_clusters(view: StationView) -> list[GapCluster]:
    """Return where to return to, nearest first; gaps of a stretch are one."""
    plan = view.plan
    reach = _REACH_CELLS * (plan.scan_resolution if plan is not None else 1.0)
    turn = None if plan is None else plan.scan_turn
    clusters = cluster_gaps(view.open_gaps(), reach=reach, turn=turn)
    return sorted(clusters, key=lambda gap: _distance(gap, view))


def gap_list(clusters: list[GapCluster], view: StationView, most: int) -> RenderableType:
    """Return the first clusters as a table, `most` rows, a heading and how many there are more."""
    if not clusters:
        return Text("no open gap", style="dim")
    wanted = {one.gap for one in view.rescan.wanted} if view.rescan is not None else set()
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    unit = view.units.length_name
    index_heading = () if view.is_profile else (f"index {unit}",)
    for heading in ("gap", f"away {unit}", f"scan {unit}", *index_heading):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("cells", justify="right", no_wrap=True)
    table.add_column("cause", no_wrap=True)
    plan = view.plan
    scan_turn, index_turn = (None, None) if plan is None else (plan.scan_turn, plan.index_turn)
    for cluster in clusters[:most]:
        first, last = min(cluster.numbers), max(cluster.numbers)
        next_ = ", wanted next" if wanted & set(cluster.numbers) else ""
        table.add_row(
            str(first) if first == last else f"{first}…{last}",
            view.units.number(_distance(cluster, view), 0),
            extent_text(cluster.scan, scan_turn, view.units),
            *(() if view.is_profile else (extent_text(cluster.index, index_turn, view.units),)),
            f"{cluster.cells:,}",
            f"{cluster.causes_text}{next_}",
        )
    more, elsewhere = len(clusters) - most, view.gaps_not_listed
    texts = [f"and {more:,} more"] if more > 0 else []
    if elsewhere > 0:
        texts.append(f"{elsewhere:,} more are not listed")
    if texts:
        return Group(table, Text(", ".join(texts), style="dim"))
    return table


def gap_line(clusters: list[GapCluster], view: StationView, width: int) -> str:
    """Return where to return to first, and how many places there are more, in one line.

    Args:
        clusters: the nearest first.
        view: the station.
        width: of the line; what matters least is left out.
    """
    if not clusters:
        return "no open gap"
    nearest, units = clusters[0], view.units
    first, last = min(nearest.numbers), max(nearest.numbers)
    plan = view.plan
    scan_turn, index_turn = (None, None) if plan is None else (plan.scan_turn, plan.index_turn)
    scan = f"scan {extent_text(nearest.scan, scan_turn, units)}"
    index = "" if view.is_profile else f", index {extent_text(nearest.index, index_turn, units)}"
    parts = [
        f"gap {first}" if first == last else f"gaps {first}…{last}",
        units.with_unit(f"{scan}{index}"),
        f"{units.with_unit(units.number(_distance(nearest, view), 0))} away",
        str(nearest.cause) + (f" ({probe_names(nearest.probes)})" if nearest.probes else ""),
        f"{nearest.cells:,} cells" if nearest.cells != 1 else "1 cell",
    ]
    more = len(clusters) - 1 + max(0, view.gaps_not_listed)
    return fitted_parts(parts, width, last=f"and {more:,} more" if more else "")


def _distance(gap: GapCluster, view: StationView) -> float:
    """Return how far the probe is from a cluster, mm; 0 while its position is unknown."""
    progress, plan = view.progress, view.plan
    if progress is None:
        return 0.0
    scan_turn, index_turn = (None, None) if plan is None else (plan.scan_turn, plan.index_turn)
    along = 0.0 if progress.scan is None else distance_to(progress.scan, gap.scan, scan_turn)
    across = 0.0 if progress.index is None else distance_to(progress.index, gap.index, index_turn)
    return math.hypot(along, across)
