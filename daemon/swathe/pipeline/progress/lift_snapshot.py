"""What is published of a probe that may have been lifted, and set down elsewhere."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.lifts import Doubt, Lift
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime, moment, number_text
from swathe.station import Axis

__all__ = ["LiftSnapshot", "doubt_text", "lift_snapshot"]


class LiftSnapshot(Snapshot):
    """Echoes were absent, and came back: a place is asked for if the probe was carried meanwhile."""

    since: UtcTime = Field(description="time of the last echo before")
    until: UtcTime = Field(description="time of the first echo after")
    seconds: Annotated[float, Digits(1)] = Field(description="from one to the other, s")
    scan: Annotated[float, Digits(1)] = Field(description="position of the last echo before, mm")
    index: Annotated[float, Digits(1)] = Field(description="likewise on the index axis, mm")
    scan_back: Annotated[float, Digits(1)] = Field(
        description="position of the first echo after, by the encoder's counts, mm"
    )
    index_back: Annotated[float, Digits(1)] = Field(
        description="likewise on the index axis, or the line in force, mm"
    )
    text: str = Field(description="what was seen, and what to do")


def lift_snapshot(
    lift: Lift | None, scan: Axis, index: Axis, units: DisplayUnits = MILLIMETRES
) -> LiftSnapshot | None:
    """Return a lift as it is published; None without one."""
    if lift is None:
        return None
    made = LiftSnapshot(
        since=lift.begin,
        until=lift.end,
        seconds=(lift.end - lift.begin) / 1e9,
        scan=scan.onto(lift.left[0]),
        index=index.onto(lift.left[1]),
        scan_back=scan.onto(lift.back[0]),
        index_back=index.onto(lift.back[1]),
        text="",
    )
    begin, end = (number_text(made, name, units) for name in ("scan", "scan_back"))
    apart = scan.distance(lift.left[0], lift.back[0]) > scan.resolution
    where = f"from {begin} to {units.with_unit(end)}" if apart else f"at {units.with_unit(begin)}"
    text = (
        f"no echo {where} for {number_text(made, 'seconds')} s: if the probe was lifted and set down "
        "elsewhere, give its place"
    )
    return made.model_copy(update={"text": text})


def doubt_text(doubt: Doubt) -> str:
    """Return which readings a reference puts in doubt, and how they are discarded.

    The times are those of the stretch of a command `discard`: nothing of the last echo before.
    """
    seconds = (doubt.end - doubt.lift.end) / 1e9
    begin, end = (moment(time).isoformat() for time in doubt.stretch)
    return (
        f"{seconds:.1f} s of readings since the probe may have been lifted may be at wrong places: "
        f"discard them with u, or with 'discard' from {begin} to {end}"
    )
