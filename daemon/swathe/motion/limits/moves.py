"""A move: one straight way from rest to rest."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from swathe.motion.errors import Point

__all__ = [
    "Move",
    "MoveKind",
    "move_time",
    "ramp_length",
    "ramp_time",
    "total_distance",
    "total_time",
]


def ramp_length(speed: float, acceleration: float) -> float:
    """Return the way in mm from rest to `speed` mm/s at `acceleration` mm/s²."""
    return speed * speed / (2 * acceleration)


def ramp_time(speed: float, acceleration: float) -> float:
    """Return the time in s from rest to `speed` mm/s at `acceleration` mm/s²."""
    return speed / acceleration


def move_time(distance: float, speed: float, acceleration: float) -> float:
    """Return the time in s for `distance` mm from rest to rest."""
    if distance * acceleration >= speed * speed:
        return distance / speed + speed / acceleration
    return 2 * math.sqrt(distance / acceleration)


class MoveKind(StrEnum):
    """What a move is for."""

    SCAN = "scan"
    """Readings are wanted on it; run-in and run-out belong to it."""
    TRANSFER = "transfer"
    """It only gets the probe somewhere."""


@dataclass(frozen=True, slots=True)
class Move:
    """One straight way.

    Attributes:
        kind: what it is for.
        start: (scan, index) in mm.
        end: (scan, index) in mm.
        speed: along the way, mm/s.
        acceleration: along the way, mm/s².
        line: line that it scans, or that it leads to.
    """

    kind: MoveKind
    start: Point
    end: Point
    speed: float
    acceleration: float
    line: int

    @property
    def distance(self) -> float:
        """Length in mm."""
        return math.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])

    @property
    def seconds(self) -> float:
        """Time from rest to rest."""
        return move_time(self.distance, self.speed, self.acceleration)


def total_time(moves: Iterable[Move]) -> float:
    """Return the seconds that moves take one after the other."""
    return math.fsum(move.seconds for move in moves)


def total_distance(moves: Iterable[Move], kind: MoveKind | None = None) -> float:
    """Return the mm of all moves, or of one kind."""
    return math.fsum(move.distance for move in moves if kind in (None, move.kind))
