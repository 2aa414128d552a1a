"""Fields: rows of stretches that can be driven from end to end, and the ways to drive them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.motion.errors import Point
from swathe.motion.limits.metric import Metric
from swathe.motion.raster.stretches import Stretch
from swathe.motion.tour.order import order_visits
from swathe.motion.tour.visits import WAYS, Visits

__all__ = [
    "AVOIDED",
    "Field",
    "StretchPass",
    "entries",
    "order_fields",
    "passes_of",
    "split_into_fields",
]

Field = list[list[Stretch]]
"""Stretches by line, the lines in their order."""

StretchPass = tuple[Stretch, bool]
"""A stretch, and whether it is driven from its lower end to its higher one."""

# A way that is not wanted costs so much that it is taken only if there is no other, s.
AVOIDED = 1e4


def split_into_fields(rows: list[list[Stretch]], period: float | None) -> list[Field]:
    """Gather stretches of neighbouring lines that are next to one stretch only.

    Args:
        rows: stretches by line, lines in their order; a line may have none.
        period: circumference of the axis that the lines run along; None where there is none.
    """
    fields: list[Field] = []
    open_fields: list[Field] = []
    for row in rows:
        neighbours = [[f for f in open_fields if _side_by_side(f[-1][0], s, period)] for s in row]
        going_on: list[Field] = []
        for stretch, candidates in zip(row, neighbours, strict=True):
            field = candidates[0] if len(candidates) == 1 else None
            if field is not None and sum(field in others for others in neighbours) == 1:
                field.append([stretch])
            else:
                field = [[stretch]]
                fields.append(field)
            going_on.append(field)
        open_fields = going_on
    return fields


def _side_by_side(one: Stretch, other: Stretch, period: float | None) -> bool:
    way = abs((one.low + one.high) - (other.low + other.high)) / 2
    if period is not None:
        way %= period
        way = min(way, period - way)
    return way < ((one.high - one.low) + (other.high - other.low)) / 2


def passes_of(field: Field, way: int, *, serpentine: bool = True) -> list[StretchPass]:
    """Return a field's passes in the order in which a way drives them.

    Way 0 begins at the first line's lower end, way 2 at its higher end; 1 and 3 are the same
    backwards. Of a field that is driven one way only, way 2 begins at the last line, and 1 and 3
    drive it the wrong way.

    Args:
        field: stretches by line.
        way: 0 to 3.
        serpentine: whether the lines are driven to and fro.
    """
    passes: list[StretchPass] = []
    lines = field if serpentine or way < 2 else field[::-1]
    for number, line in enumerate(lines):
        forward = not serpentine or (number % 2 == 0) == (way < 2)
        passes += [(stretch, forward) for stretch in (line if forward else line[::-1])]
    if way % 2:
        passes = [(stretch, not forward) for stretch, forward in passes[::-1]]
    return passes


def entries(passes: list[StretchPass], along: int) -> tuple[Point, Point]:
    """Return where a row of passes begins and ends, (scan, index) in mm."""
    ends: list[Point] = []
    for (stretch, forward), at_start in ((passes[0], True), (passes[-1], False)):
        position = stretch.reach_low if forward == at_start else stretch.reach_high
        ends.append((position, stretch.at) if along == 0 else (stretch.at, position))
    return ends[0], ends[1]


def order_fields(
    fields: list[Field],
    metric: Metric,
    *,
    along: int,
    serpentine: bool,
    begin: Point | None,
) -> list[list[StretchPass]]:
    """Return the passes of each field, fields and their ways in an order with short ways between.

    Args:
        fields: to drive.
        metric: seconds between places.
        along: axis that the lines run along; 0 for scan, 1 for index.
        serpentine: whether lines are driven to and fro.
        begin: where the probe is; None for the first line's lower end.
    """
    if not fields:
        return []
    ways = [[passes_of(f, way, serpentine=serpentine) for way in range(WAYS)] for f in fields]
    entry: NDArray[np.float64] = np.array(
        [[entries(passes, along)[0] for passes in each] for each in ways]
    )
    own = np.zeros((len(fields), WAYS))
    if not serpentine:
        own[:, 1::2] = AVOIDED
    start = begin or entries(ways[0][0], along)[0]
    order = order_visits(Visits(entry, own), metric, begin=start)
    return [ways[code // WAYS][code % WAYS] for code in order]
