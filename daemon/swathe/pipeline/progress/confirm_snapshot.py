"""A place whose thickness is to be confirmed, as it is published."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from swathe.display_units import DisplayUnits
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime
from swathe.pipeline.progress.snapshots import ProgressSnapshot
from swathe.pipeline.spurious.register import ConfirmRegister, PlaceState, PlaceToConfirm
from swathe.reading_flags import flag_names

__all__ = [
    "ConfirmSnapshot",
    "Where",
    "confirm_snapshot",
    "confirm_text",
    "evidence_text",
    "listed_snapshots",
    "raw_minimum_text",
]


class ConfirmSnapshot(Snapshot):
    """A cell whose thickness is doubtful, and what is known of it."""

    number: int = Field(description="of the place, for its life")
    status: PlaceState = Field(
        description="what became of it; 'settled': the cells around it agree, or the cell holds "
        "another value"
    )
    flags: tuple[str, ...] = Field(description="why it is doubtful: names of bits of 'quality'")
    thickness: Annotated[float, Digits(3, inches=3)] = Field(description="that was read, mm")
    wall: Annotated[float | None, Digits(3, inches=3)] = Field(
        description="median of the cells around it, mm; null where too few were read"
    )
    other: Annotated[float | None, Digits(3, inches=3)] = Field(
        description="lowest value that another pass read in the cell, mm; null without one"
    )
    others: int = Field(description="other passes of the probe with a reading in the cell")
    scan: Annotated[float, Digits(3, shown=2)] = Field(description="centre of the cell, mm")
    index: Annotated[float, Digits(3, shown=2)] = Field(description="centre of the cell, mm")
    opened: UtcTime = Field(description="when it was listed")
    changed: UtcTime = Field(description="when its status changed last")
    by: str = Field("", description="who confirmed or rejected it; empty where it was no person")
    reason: str = Field("", description="that person's, or what confirmed it")

    @property
    def danger(self) -> tuple[bool, bool, float, int]:
        """Sorts places as the register does: open ones first, low before high, thinnest first."""
        is_high = bool({"doubled", "lone_high"} & {*self.flags}) or (
            not {"halved", "lone_low"} & {*self.flags}
            and self.wall is not None
            and self.thickness >= self.wall
        )
        return self.status is not PlaceState.OPEN, is_high, self.thickness, self.number


def confirm_snapshot(place: PlaceToConfirm, grid: Grid) -> ConfirmSnapshot:
    """Return a place as it is now."""
    row, column = divmod(place.cell, grid.shape[1])
    return ConfirmSnapshot(
        number=place.number,
        status=place.state,
        flags=flag_names(place.flags),
        thickness=place.value,
        wall=place.wall,
        other=place.other,
        others=place.others,
        scan=grid.scan.centre(column),
        index=grid.index.centre(row),
        opened=place.opened,
        changed=place.changed,
        by=place.by,
        reason=place.reason,
    )


def listed_snapshots(register: ConfirmRegister, grid: Grid) -> tuple[ConfirmSnapshot, ...]:
    """Return the places that are to be confirmed, most dangerous first, rejected ones last."""
    return tuple(confirm_snapshot(place, grid) for place in register.listed)


@dataclass(frozen=True, slots=True)
class Where:
    """How places of a plan are written.

    Attributes:
        scan: resolution of the scan axis, mm; None for one that is not known.
        index: likewise of the index axis.
        profile: whether there is no index axis.
        spots: whether a position on the scan axis is the number of a spot.
    """

    scan: float | None = None
    index: float | None = None
    profile: bool = False
    spots: bool = False

    def text(self, scan: float | None, index: float | None, units: DisplayUnits) -> str:
        """Return a place, mm, in the station's unit."""
        if self.spots:
            return f"spot {scan or 0:.0f}"
        along = f"scan {units.place_text(scan, self.scan)}"
        return along if self.profile else f"{along}, index {units.place_text(index, self.index)}"


def confirm_text(place: ConfirmSnapshot, units: DisplayUnits, where: Where) -> str:
    """Return a place in one line: value, place, why it is doubtful, and what else is known."""
    why = ", ".join(name.replace("_", " ") for name in place.flags)
    at = where.text(place.scan, place.index, units)
    return f"{units.thickness_text(place.thickness)} at {at}: {why}{evidence_text(place, units)}"


def evidence_text(place: ConfirmSnapshot, units: DisplayUnits) -> str:
    """Return what else is known of a place, each part after a semicolon; empty for nothing."""
    parts: list[str] = []
    if place.wall is not None:
        parts.append(f"around it {units.thickness_text(place.wall)}")
    if place.other is not None:
        passes = f"{place.others} other pass{'' if place.others == 1 else 'es'}"
        parts.append(f"{passes} read {units.thickness_text(place.other)} or more")
    if place.status is PlaceState.REJECTED:
        parts.append(f"rejected by {place.by}: {place.reason}")
    elif place.status is not PlaceState.OPEN:
        who = f" by {place.by}" if place.by else ""
        parts.append(f"{place.status}{who}: {place.reason}")
    return "".join(f"; {part}" for part in parts)


def raw_minimum_text(progress: ProgressSnapshot, units: DisplayUnits, where: Where) -> str:
    """Return the raw minimum with its place, where it is not the confirmed one; empty otherwise."""
    raw, at = progress.minimum_raw, (progress.minimum_raw_scan, progress.minimum_raw_index)
    confirmed = progress.minimum, (progress.minimum_scan, progress.minimum_index)
    if raw is None or (raw, at) == confirmed:
        return ""
    return f"raw {units.thickness_text(raw)} at {where.text(*at, units)} TO CONFIRM"
