"""What a machine may do, and the check of every move before it is made."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.motion.errors import MotionError, Point, point_text
from swathe.motion.limits.moves import Move
from swathe.motion.limits.twist import Twist
from swathe.motion.limits.zones import Zones

__all__ = ["AxisLimits", "MotionLimits", "check_move", "check_moves"]

_NAMES = ("scan", "index")
# A limit is not crossed by the rounding of its last digits.
_ROUNDING_MM = 1e-6
_ROUNDING = 1 + 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisLimits:
    """What one axis may do.

    Attributes:
        low: lowest position, mm.
        high: highest position, mm.
        speed: highest, mm/s.
        acceleration: highest, mm/s².
    """

    low: float = -math.inf
    high: float = math.inf
    speed: float
    acceleration: float

    def __post_init__(self) -> None:
        if not self.low < self.high:
            remedy = "write the lower end of the travel first"
            got = f"(got {self.low:g} to {self.high:g}, in mm)"
            raise MotionError(f"a travel must run from lower to higher {got}", remedy=remedy)
        for name, value in (("speed", self.speed), ("acceleration", self.acceleration)):
            if not 0 < value < math.inf:
                remedy = "take it from the machine's manual"
                raise MotionError(f"a limit of {name} must be > 0 (got {value!r})", remedy=remedy)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionLimits:
    """What both axes may do.

    Attributes:
        scan: the scan axis.
        index: the index axis.
        units: in which an error writes lengths.
    """

    scan: AxisLimits
    index: AxisLimits
    units: DisplayUnits = MILLIMETRES

    @property
    def axes(self) -> tuple[AxisLimits, AxisLimits]:
        """Scan and index."""
        return self.scan, self.index

    def with_twist(self, twist: Twist | None) -> MotionLimits:
        """Return these limits, the travel of the axis that goes round cut to the cable's."""
        if twist is None:
            return self
        scans = twist.axis == "scan"
        mine = self.scan if scans else self.index
        low, high = max(mine.low, twist.extent[0]), min(mine.high, twist.extent[1])
        narrow = replace(mine, low=low, high=high)
        return replace(self, scan=narrow) if scans else replace(self, index=narrow)

    def path(self, start: Point, end: Point) -> tuple[float, float]:
        """Return highest speed (mm/s) and acceleration (mm/s²) along a straight way.

        Each axis takes its share of the way, and none goes beyond its own limit.
        """
        way = [abs(b - a) for a, b in zip(start, end, strict=True)]
        length = math.hypot(*way)
        if length < _ROUNDING_MM:
            return (
                min(self.scan.speed, self.index.speed),
                min(self.scan.acceleration, self.index.acceleration),
            )
        slowest = max(d / limit.speed for d, limit in zip(way, self.axes, strict=True))
        weakest = max(d / limit.acceleration for d, limit in zip(way, self.axes, strict=True))
        return length / slowest, length / weakest


def check_move(move: Move, limits: MotionLimits, zones: Zones, twist: Twist | None = None) -> None:
    """Check a move before it is made.

    Args:
        move: what is about to be sent to the machine.
        limits: of the machine.
        zones: what the probe keeps out of.
        twist: of the cable, if it limits.

    Raises:
        MotionError: the move leaves the travel, is too fast, gains speed too quickly, twists the
            cable too far or meets an excluded zone; the text names the position and the remedy. Do not
            make the move.
    """
    units = limits.units
    if not all(map(math.isfinite, (*move.start, *move.end, move.speed, move.acceleration))):
        raise MotionError("a move must have finite numbers", remedy=f"plan again ({move})")
    if move.speed <= 0 or move.acceleration <= 0:
        got = f"(got {move.speed:g} and {move.acceleration:g})"
        requirement = f"speed and acceleration must be > 0 {got}"
        raise MotionError(requirement, remedy="plan again", place=move.start, units=units)
    for place in (move.start, move.end):
        _check_travel(place, limits)
        _check_twist(place, twist, units)
    _check_rates(move, limits)
    if (zone := zones.met_by(move.start, move.end)) is not None:
        both = move.start[0] != move.end[0] and move.start[1] != move.end[1]
        remedy = "move one axis at a time round it" if both else "go round it, or end short of it"
        requirement = (
            f"the move to {point_text(move.end, units)} must keep "
            f"{units.stated_text(zones.clearance)} clear of "
            f"excluded zone '{zone.name}'"
        )
        raise MotionError(requirement, remedy=remedy, place=move.start, units=units)


def check_moves(
    moves: Iterable[Move],
    limits: MotionLimits,
    zones: Zones,
    twist: Twist | None = None,
    *,
    begin: Point | None = None,
) -> None:
    """Check moves that follow each other: each must start where the last one ended.

    Raises:
        MotionError: as `check_move`, or a jump between two moves.
    """
    at = begin
    for move in moves:
        if at is not None and math.dist(at, move.start) > _ROUNDING_MM:
            requirement = f"a move must start where the probe is, {point_text(at, limits.units)}"
            raise MotionError(
                requirement, remedy="plan again from there", place=move.start, units=limits.units
            )
        check_move(move, limits, zones, twist)
        at = move.end


def _check_travel(place: Point, limits: MotionLimits) -> None:
    for name, position, axis in zip(_NAMES, place, limits.axes, strict=True):
        if not axis.low - _ROUNDING_MM <= position <= axis.high + _ROUNDING_MM:
            units = limits.units
            ends = f"{units.place_text(axis.low)} to {units.place_text(axis.high)}"
            requirement = f"{name} must stay within {ends}"
            remedy = "shorten the plan or the run-in, or correct the travel of the machine"
            raise MotionError(requirement, remedy=remedy, place=place, units=units)


def _check_twist(place: Point, twist: Twist | None, units: DisplayUnits) -> None:
    if twist is None:
        return
    position = place[_NAMES.index(twist.axis)]
    low, high = twist.extent
    if not low - _ROUNDING_MM <= position <= high + _ROUNDING_MM:
        turns = twist.turns_at(position)
        requirement = f"the cable must stay within ±{twist.turns:g} turns (would be {turns:+.2f})"
        raise MotionError(
            requirement, remedy="return the other way round", place=place, units=units
        )


def _check_rates(move: Move, limits: MotionLimits) -> None:
    length, units = move.distance, limits.units
    for k, (name, axis) in enumerate(zip(_NAMES, limits.axes, strict=True)):
        share = abs(move.end[k] - move.start[k]) / length if length else 0.0
        for what, unit, value, most in (
            ("speed", units.speed_name, move.speed, axis.speed),
            ("acceleration", f"{units.speed_name}²", move.acceleration, axis.acceleration),
        ):
            if value * share > most * _ROUNDING:
                allowed, got = units.length(most), units.length(value * share)
                requirement = f"{name} {what} must be at most {allowed:g} {unit} (got {got:g})"
                remedy = f"lower the {what} of the move, or correct the limit of the machine"
                raise MotionError(requirement, remedy=remedy, place=move.start, units=units)
