"""Kinematics: straight moves with acceleration limits, cut where an obstacle is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.trajectory import Piece, ramp

_TINY_MM = 1e-6
Pair = tuple[float, float]


def straight(
    model: CommandedModel, displacement: Pair, template: Piece, *, speed: float
) -> list[Piece]:
    """Make the pieces of a straight move from rest to rest.

    Neither axis passes its own speed or acceleration, so that the move keeps its line.

    Args:
        model: the crawler's.
        displacement: along scan and index, mm.
        template: label of the pieces.
        speed: requested along the displacement, mm/s.
    """
    length = math.hypot(*displacement)
    if length < _TINY_MM:
        return []
    direction = (displacement[0] / length, displacement[1] / length)
    limit, acceleration = speed, math.inf
    for share, top, rate in (
        (direction[0], model.speed_mm_per_s, model.acceleration_mm_per_s2),
        (direction[1], model.index_speed_mm_per_s, model.index_acceleration_mm_per_s2),
    ):
        if abs(share) > _TINY_MM:
            limit = min(limit, top / abs(share))
            acceleration = min(acceleration, rate / abs(share))
    return [
        replace(template, duration_s=time, speed=first, acceleration=rate, direction=direction)
        for time, first, rate in ramp(
            length, speed_in=0.0, speed_out=0.0, limit=limit, acceleration=acceleration
        )
    ]


def line_of(model: CommandedModel, displacement: Pair, index: float) -> int:
    """Return the number of the raster's line that a move along scan is on; -1 for none."""
    if displacement[1] != 0.0 or displacement[0] == 0.0:
        return -1
    line = round((index - model.index_start_mm) / model.index_step_mm)
    return line if 0 <= line < model.index_count else -1


def length_of(pieces: Sequence[Piece]) -> float:
    """Return the length of the path of some pieces, mm."""
    return sum(p.duration_s * (p.speed + 0.5 * p.acceleration * p.duration_s) for p in pieces)


def time_at(pieces: Sequence[Piece], distance: float) -> float:
    """Return when a distance (mm) along the pieces is covered, s; at most their duration."""
    covered, time = 0.0, 0.0
    for piece in pieces:
        length = length_of([piece])
        if covered + length >= distance:
            left = max(0.0, distance - covered)
            # left = v·t + a·t²/2, the root that is stable when a is near 0.
            root = math.sqrt(max(0.0, piece.speed**2 + 2 * piece.acceleration * left))
            divisor = piece.speed + root
            here = 2 * left / divisor if divisor > 0 else 0.0
            return time + min(here, piece.duration_s)
        covered += length
        time += piece.duration_s
    return time


def first_seconds(pieces: Sequence[Piece], seconds: float) -> list[Piece]:
    """Return the beginning of some pieces."""
    kept: list[Piece] = []
    for piece in pieces:
        if seconds <= 0:
            break
        kept.append(replace(piece, duration_s=min(piece.duration_s, seconds)))
        seconds -= piece.duration_s
    return kept


def duration_of(pieces: Sequence[Piece]) -> float:
    """Return how long some pieces take, s."""
    return sum(piece.duration_s for piece in pieces)


def slowed(pieces: Sequence[Piece], factor: float) -> list[Piece]:
    """Return pieces that take as long and go `factor` times as far."""
    return [
        replace(piece, speed=piece.speed * factor, acceleration=piece.acceleration * factor)
        for piece in pieces
    ]


def distance_to_edge(start: Pair, direction: Pair, limits: tuple[Pair, Pair]) -> float:
    """Return the distance along a direction to the first limit that it leads out of, mm.

    Infinite if it leads out of none; 0 if the start is outside already.
    """
    displacements = [math.inf]
    for position, share, (low, high) in zip(start, direction, limits, strict=True):
        if share > 0:
            displacements.append((high - position) / share)
        elif share < 0:
            displacements.append((low - position) / share)
    return max(0.0, min(displacements))


def crosses(start: Pair, end: Pair, rectangle: tuple[Pair, Pair]) -> bool:
    """Return whether a straight path crosses the inside of a rectangle (mm).

    The slab method: the parts of the path between each pair of edges must overlap.
    """
    enter, leave = 0.0, 1.0
    for begin, stop, (low, high) in zip(start, end, rectangle, strict=True):
        displacement = stop - begin
        if displacement == 0.0:
            if not low < begin < high:
                return False
            continue
        one, two = sorted(((low - begin) / displacement, (high - begin) / displacement))
        enter, leave = max(enter, one), min(leave, two)
    return enter < leave
