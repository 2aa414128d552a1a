"""The heading of a carriage that turns: an axis in degrees, which an absolute encoder gives."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoded_axis import EncodedAxis
from swathe.station import AxisMode, AxisSettings, HeadingSettings, Station

__all__ = ["HEADING", "heading_axis", "heading_conditions"]

HEADING: Final = "heading"
"""Name of the axis."""

# No carriage turns faster, degrees/s and degrees/s². (Our choice, no source.)
_MAX_SPEED, _MAX_ACCELERATION = 720.0, 36_000.0
_TURN, _CELL = 360.0, 1.0


def heading_axis(
    station: Station, links: dict[str, DeviceLink], *, rests: Collection[str]
) -> EncodedAxis | None:
    """Return the axis of the carriage's heading; None where it keeps its direction.

    Args:
        station: the station file in force.
        links: the devices.
        rests: devices that send on change: silent, they are at rest.
    """
    settings = None if station.carriage is None else station.carriage.heading
    if settings is None:
        return None
    limits = station.placing.bracket, station.placing.lateness
    return EncodedAxis(HEADING, _as_axis(settings), links, *limits, rests=settings.device in rests)


def _as_axis(settings: HeadingSettings) -> AxisSettings:
    """Return the settings of an axis whose lengths are degrees."""
    return AxisSettings.model_construct(
        start=0.0,
        length=_TURN,
        resolution=_CELL,
        mode=AxisMode.WRAPPED,
        device=settings.device,
        counts=settings.counts,
        counts_per_mm=settings.counts_per_degree,
        wheel=None,
        reversed=settings.reversed,
        zero_count=settings.zero_count,
        zero_at=settings.zero_at,
        index_mark_at=None,
        backlash=0.0,
        max_speed=_MAX_SPEED,
        max_acceleration=_MAX_ACCELERATION,
        keeps_count=True,
        second=None,
    )


def heading_conditions(axis: EncodedAxis) -> list[Condition]:
    """Return the changes of whether the heading is known, since they were taken last."""
    text = (
        "the heading is not known: the counts of its encoder jumped, or the carriage turned faster "
        f"than {_MAX_SPEED:g} degrees/s, which is taken for a jump. Readings have no position until "
        "they come back, or until the next run"
    )
    found = [replace(one, detail=text if one.holds else "") for one in axis.conditions]
    axis.conditions.clear()
    return found
