"""Settings of the planner from a station file."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import replace

from swathe.errors import MisuseError
from swathe.motion.carriage.layout import Carriage
from swathe.motion.errors import MotionError
from swathe.motion.limits.check import AxisLimits, MotionLimits
from swathe.motion.limits.twist import Twist
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.limits.zones import KeepOutZone, Zones
from swathe.motion.raster.plan import Pattern, RasterSettings
from swathe.motion.revisit.retry import RetrySettings
from swathe.motion.revisit.visits import PassSettings
from swathe.pipeline import ExcludedZone
from swathe.station import Axis, MotionTable, PlanTable, Station, motion_codec, probes_of
from swathe_drivers.motion import MotionAxisSettings

__all__ = [
    "carriage_of",
    "pass_settings_of",
    "raster_settings_of",
    "retry_settings_of",
    "work_area_of",
]

_NS = 1e9
# Where only the speed is given, readings do not limit it.
_PLENTY = 1e9
# A line profile has no index axis, and nothing may move on it.
_NO_AXIS = AxisLimits(low=-1.0, high=1.0, speed=1.0, acceleration=1.0)
_EVERYWHERE = (-math.inf, math.inf)
_AT_DATUM = (0.0, 0.0)
# A probe of several counts for a row where it is a tenth of it from its border: what moves it is
# off by so much. Where rows must be near each other, a tenth from the middle is near enough.
_OFF_CENTRE, _CLOSE = 0.4, 0.1
_ROUNDING_MM = 1e-9


def _table(station: Station) -> MotionTable:
    if station.motion is None:
        msg = "motion was asked of a station that has no [motion] table"
        raise MisuseError(msg)
    return station.motion


def carriage_of(station: Station, dead: Collection[int] = ()) -> Carriage:
    """Return what the machine of a station carries, at the heading 0 that a raster keeps.

    Args:
        station: a station file.
        dead: numbers of probes that give no readings.
    """
    table = station.carriage
    body = None
    if table is not None and table.body is not None:
        body = (*(table.body.scan or _AT_DATUM), *(table.body.index or _AT_DATUM))
    return Carriage(probes=probes_of(station).probes, dead=frozenset(dead), body=body)


def work_area_of(
    station: Station, asked: Iterable[ExcludedZone] = (), dead: Collection[int] = ()
) -> WorkArea:
    """Return where the machine of a station moves.

    Args:
        station: a station file with a table `[motion]`.
        asked: zones that were excluded since, while the survey went on.
        dead: numbers of probes that give no readings.

    Raises:
        MotionError: the carriage does not fit into where it is to stay.
    """
    motion = _table(station)
    scan, index = station.scan_axis, station.index_axis
    zones = [KeepOutZone(zone.name, zone.scan, zone.index) for zone in station.exclude]
    zones += [KeepOutZone(zone.name, zone.scan or _EVERYWHERE, zone.index) for zone in asked]
    axes = motion_codec(motion).axes
    carriage = carriage_of(station, dead)
    return WorkArea(
        scan=scan,
        index=index,
        limits=_within(
            station,
            carriage,
            MotionLimits(
                units=station.display,
                scan=_limits(axes["scan"]),
                index=_NO_AXIS if station.index is None else _limits(axes["index"]),
            ),
        ),
        zones=Zones(
            zones,
            clearance=motion.plan.clearance,
            scan=scan,
            index=index,
            footprint=carriage.box,
        ),
        twist=_twist(motion, (scan, index)),
        together=motion.plan.together,
        carriage=carriage,
        stepped=station.index is not None and not station.index_encoded,
    )


def _within(station: Station, carriage: Carriage, limits: MotionLimits) -> MotionLimits:
    """Return the travel of the datum on which all of the carriage stays where it is to stay."""
    room = None if station.carriage is None else station.carriage.within
    if room is None:
        return limits
    left, right, down, up = carriage.box
    for name, ends, low, high in (
        ("scan", room.scan, left, right),
        ("index", room.index, down, up),
    ):
        if ends is None:
            continue
        axis: AxisLimits = getattr(limits, name)
        least, most = max(axis.low, ends[0] - low), min(axis.high, ends[1] - high)
        if not least < most:
            units = station.display
            raise MotionError(
                f"the carriage, {units.stated_text(high - low)} long on the {name} axis, must have "
                f"room within {units.stated_text(ends[0])} to {units.stated_text(ends[1])}",
                remedy=f"correct carriage.within.{name}, the offsets of the probes or the travel",
            )
        narrow = replace(axis, low=least, high=most)
        scans = name == "scan"
        limits = replace(limits, scan=narrow) if scans else replace(limits, index=narrow)
    return limits


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
        off_centre=_off_centre(plan, across.resolution),
        pass_overlap=plan.pass_overlap,
    )


def _off_centre(plan: PlanTable, row: float) -> float:
    """Return by which share of a row a probe may pass off its middle.

    Where the width that a line inspects is given, only so far that the lines of two probes, one too
    low and one too high, are still no further apart than it allows.
    """
    if plan.footprint is None:
        return _OFF_CENTRE
    width = plan.footprint * (1 - plan.overlap / 100)
    apart = row / max(1, math.ceil(row / width - _ROUNDING_MM))
    return min(_OFF_CENTRE, max(_CLOSE, (width - apart) / 2 / apart))


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
        off_centre=raster_settings_of(station).off_centre,
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
