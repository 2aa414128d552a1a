"""Settings of the planner from a station file."""

from __future__ import annotations

import math
from collections.abc import Iterable

from swathe.errors import MisuseError
from swathe.motion.limits.check import AxisLimits, MotionLimits
from swathe.motion.limits.twist import Twist
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.limits.zones import KeepOutZone, Zones
from swathe.motion.raster.plan import Pattern, RasterSettings
from swathe.motion.revisit.passes import PassSettings
from swathe.motion.revisit.retry import RetrySettings
from swathe.pipeline import ExcludedZone
from swathe.station import Axis, MotionTable, Station, motion_codec
from swathe_drivers.motion import MotionAxisSettings

__all__ = ["pass_settings_of", "raster_settings_of", "retry_settings_of", "work_area_of"]

_NS = 1e9
# Where only the speed is given, readings do not limit it.
_PLENTY = 1e9
# A line profile has no index axis, and nothing may move on it.
_NO_AXIS = AxisLimits(low=-1.0, high=1.0, speed=1.0, acceleration=1.0)
_EVERYWHERE = (-math.inf, math.inf)


def _table(station: Station) -> MotionTable:
    if station.motion is None:
        msg = "motion was asked of a station that has no [motion] table"
        raise MisuseError(msg)
    return station.motion


def work_area_of(station: Station, asked: Iterable[ExcludedZone] = ()) -> WorkArea:
    """Return where the machine of a station moves.

    Args:
        station: a station file with a table `[motion]`.
        asked: zones that were excluded since, while the survey went on.
    """
    motion = _table(station)
    scan, index = station.scan_axis, station.index_axis
    zones = [KeepOutZone(zone.name, zone.scan, zone.index) for zone in station.exclude]
    zones += [KeepOutZone(zone.name, zone.scan or _EVERYWHERE, zone.index) for zone in asked]
    axes = motion_codec(motion).axes
    return WorkArea(
        scan=scan,
        index=index,
        limits=MotionLimits(
            units=station.display,
            scan=_limits(axes["scan"]),
            index=_NO_AXIS if station.index is None else _limits(axes["index"]),
        ),
        zones=Zones(zones, clearance=motion.plan.clearance, scan=scan, index=index),
        twist=_twist(motion, (scan, index)),
        together=motion.plan.together,
    )


def _limits(axis: MotionAxisSettings) -> AxisLimits:
    return AxisLimits(
        low=axis.min_mm,
        high=axis.max_mm,
        speed=axis.speed_mm_per_s,
        # The check of the station file has made sure of it.
        acceleration=axis.acceleration_mm_per_s2 or math.nan,
    )


def _twist(motion: MotionTable, axes: tuple[Axis, Axis]) -> Twist | None:
    turns = motion.plan.twist_turns
    wrapped = [axis for axis in axes if axis.wrapped]
    return None if turns is None or not wrapped else Twist.of(wrapped[0], turns=turns)


def raster_settings_of(station: Station) -> RasterSettings:
    """Return what the raster of a station shall be like."""
    plan = _table(station).plan
    across = station.index_axis if plan.along == "scan" else station.scan_axis
    return RasterSettings(
        footprint=plan.footprint or across.resolution,
        overlap=plan.overlap / 100,
        reading_rate=plan.reading_rate or _PLENTY,
        hits_per_cell=station.survey.hits_per_cell,
        reserve=plan.reserve / 100,
        speed=plan.speed,
        settle=plan.settle / _NS,
        pattern=Pattern(plan.pattern),
        along=plan.along,
    )


def pass_settings_of(station: Station, *, speed: float) -> PassSettings:
    """Return how gaps are revisited.

    Args:
        station: a station file with a table `[motion]`.
        speed: of a first try, mm/s; that of the raster.
    """
    motion = _table(station)
    return PassSettings(
        speed=speed,
        slower=motion.retry.slower,
        min_speed=min(motion.retry.min_speed, speed),
        settle=motion.retry.settle / _NS,
        along=motion.plan.along,
    )


def retry_settings_of(station: Station) -> RetrySettings:
    """Return when revisiting ends."""
    retry = _table(station).retry
    time, battery = retry.time_budget, retry.battery_budget
    return RetrySettings(
        most_tries=retry.tries,
        target=station.survey.target_coverage,
        time_budget=None if time is None else time / _NS,
        battery_budget=None if battery is None else battery / _NS,
    )
