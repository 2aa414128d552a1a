"""By how much two probes read differently where both have read the same wall."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.pipeline.overlaps.watch import OverlapWatch
from swathe.pipeline.progress.fields import Digits, Snapshot
from swathe.station import Station

__all__ = ["OverlapSnapshot", "overlap_snapshots"]


class OverlapSnapshot(Snapshot):
    """What two probes read in the same rows of the grid, in the newest passes of the last run."""

    probe: str = Field(description="name of the first one")
    other: str = Field(description="name of the second one")
    more: Annotated[float, Digits(3, inches=4)] = Field(
        description="mean of what the first one reads more, mm"
    )
    standard: Annotated[float, Digits(3, inches=4)] = Field(
        description="standard uncertainty of that mean, the columns taken for independent, mm"
    )
    columns: int = Field(description="in which both have read")


def overlap_snapshots(overlaps: OverlapWatch, station: Station) -> tuple[OverlapSnapshot, ...]:
    """Return the pairs of probes that have read the same wall; none of a single probe."""
    names = [probe.name for probe in station.probes]
    return tuple(
        OverlapSnapshot(
            probe=names[one.probe],
            other=names[one.other],
            more=one.mean_mm,
            standard=one.standard_mm,
            columns=one.columns,
        )
        for one in overlaps.disagreements()
    )
