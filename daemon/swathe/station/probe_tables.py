"""Tables of a carriage with several probes: ``[carriage]`` and the entries of ``[[probe]]``."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from swathe.echo import EchoSettings
from swathe.station.quality import ProbeSettings
from swathe.station.table import StationTable
from swathe.units import Angle, Duration, Frequency, Length

__all__ = [
    "MOST_INPUT",
    "MOST_PROBES",
    "ArrayProbeSettings",
    "CarriageExtent",
    "CarriageSettings",
    "HeadingSettings",
]

MOST_PROBES = 64
"""More probes than any carriage of ours was tried with."""
MOST_INPUT = 255
"""Numbers of inputs are a byte in the records between the parts."""

ProbeName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,31}$")]
"""A name that is safe as an MQTT topic level and short enough for a column."""


class ArrayProbeSettings(ProbeSettings):
    """One of several probes of a carriage: where its readings come from, and where it is."""

    name: ProbeName = Field(description="of this probe, in texts and messages")
    diameter: Length | None = Field(  # type: ignore[assignment]  # none is needed to place readings
        None, gt=0, description="of the element, or of both together, mm; no beam without it"
    )
    frequency: Frequency | None = Field(  # type: ignore[assignment]
        None, gt=0, description="MHz; no beam without it"
    )
    device: str | None = Field(
        None, description="that gives its readings; needed where several devices give readings"
    )
    input: int | None = Field(
        None,
        ge=0,
        le=MOST_INPUT,
        description="of the device, by the number that its records have for it",
    )
    scan: Length = Field(0.0, description="offset from the carriage's datum, mm; ahead is positive")
    index: Length = Field(
        0.0, description="offset from the datum, mm; towards higher index positions is positive"
    )
    delay: Duration = Field(
        0, description="of its readings in addition to the device's delay, ns; may be negative"
    )
    calibration: str | None = Field(
        None, min_length=1, description="record of its own; [calibration] holds without one"
    )
    range_margin: Length | None = Field(
        None, ge=0, description="as in [calibration], which holds without one, mm"
    )
    thickness_limits: tuple[Length, Length] | None = Field(
        None,
        description="thinnest and thickest wall that it can read, mm: a reading beyond counts as no "
        "echo; survey.thickness_limits holds without them",
    )
    echo: EchoSettings | None = Field(
        None, description="gates of its own, all that [echo] has; [echo] holds without them"
    )


class HeadingSettings(StationTable):
    """The angle by which the carriage is turned against the scan axis, by an encoder of its own.

    ``heading = zero_at + (counts - zero_count) / counts_per_degree``, with a minus when ``reversed``;
    a positive heading turns the front of the carriage towards higher index positions.
    """

    device: str = Field(description="device whose counts give the heading")
    counts: str = Field("heading", description="name of the counts column")
    counts_per_degree: float = Field(
        1.0, gt=0, allow_inf_nan=False, description="1 where degrees are sent"
    )
    reversed: bool = Field(False, description="counts fall while the heading rises")
    zero_count: float = Field(0.0, allow_inf_nan=False, description="counts at zero_at")
    zero_at: Angle = Field(0.0, description="heading at zero_count, degrees")


class CarriageExtent(StationTable):
    """From where to where something reaches on both axes, mm."""

    scan: tuple[Length, Length] | None = Field(None, description="from, to; lower first")
    index: tuple[Length, Length] | None = Field(None, description="from, to; lower first")


class CarriageSettings(StationTable):
    """What carries the probes."""

    body: CarriageExtent | None = Field(
        None,
        description="how far the carriage itself reaches from its datum, from, to; only a crawler",
    )
    within: CarriageExtent | None = Field(
        None, description="where probes and body of a crawler stay, such as short of an edge"
    )

    heading: HeadingSettings | None = Field(
        None, description="where the carriage turns; without one it keeps its direction"
    )
    each: dict[str, Any] = Field(
        {}, description="keys of [[probe]] that hold for each entry that does not have them"
    )
