"""Grounds, plans and gaps for the motion tests, and plain checks written apart from the planner."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import strategies as st

from swathe.arrays import Ints
from swathe.motion import (
    AxisLimits,
    KeepOutZone,
    MotionLimits,
    Move,
    MoveKind,
    Pattern,
    RasterSettings,
    Twist,
    WorkArea,
    Zones,
)
from swathe.motion.carriage.layout import Carriage, CarriageBox
from swathe.pipeline import GapCause, GapSnapshot
from swathe.station import (
    ArrayProbeSettings,
    Axis,
    CarriageProbe,
    CarriageSettings,
    Station,
)

# A way is walked in this many steps when it is looked at point by point.
_STEPS = 60


def area(
    *,
    zones: tuple[KeepOutZone, ...] = (),
    clearance: float = 0.0,
    wrapped: bool = False,
    turns: float | None = None,
    together: bool = False,
) -> WorkArea:
    """Return a plate of 1,000 mm × 100 mm, or a pipe of 360 mm circumference, and a crawler."""
    scan = Axis(name="scan", start=0, resolution=5, cells=201)
    index = Axis(name="index", start=0, resolution=10, cells=36 if wrapped else 11, wrapped=wrapped)
    across = (-math.inf, math.inf) if wrapped else (-20.0, 120.0)
    limits = MotionLimits(
        scan=AxisLimits(low=-100, high=1100, speed=200, acceleration=400),
        index=AxisLimits(low=across[0], high=across[1], speed=50, acceleration=100),
    )
    return WorkArea(
        scan=scan,
        index=index,
        limits=limits,
        zones=Zones(zones, clearance=clearance, scan=scan, index=index),
        twist=None if turns is None else Twist.of(index, turns=turns),
        together=together,
    )


def carriage(*offsets: tuple[float, float], body: CarriageBox | None = None) -> Carriage:
    """Return a carriage with probes at these offsets (scan, index) from its datum, mm."""
    probes = [
        CarriageProbe(number=k, name=f"p{k}", device="", input=k, scan=scan, index=index)
        for k, (scan, index) in enumerate(offsets)
    ]
    return Carriage(probes=tuple(probes), body=body)


def with_probes(station: Station, *offsets: tuple[float, float], **carriage: Any) -> Station:
    """Return a station with probes at these offsets (scan, index), mm, and a table `[carriage]`."""
    tables = (
        {"name": f"p{k}", "input": k, "scan": f"{scan} mm", "index": f"{index} mm"}
        for k, (scan, index) in enumerate(offsets)
    )
    probes = tuple(ArrayProbeSettings.model_validate(table) for table in tables)
    return station.model_copy(
        update={"probes": probes, "carriage": CarriageSettings.model_validate(carriage)}
    )


def carrying(over: WorkArea, what: Carriage) -> WorkArea:
    """Return the same ground for a machine with this carriage."""
    zones = Zones(
        over.zones.zones,
        clearance=over.zones.clearance,
        scan=over.scan,
        index=over.index,
        footprint=what.box,
    )
    return replace(over, zones=zones, carriage=what)


def gap(
    number: int,
    scan: tuple[float, float],
    index: tuple[float, float],
    cause: GapCause = GapCause.UNVISITED,
) -> GapSnapshot:
    """Return an open gap."""
    return GapSnapshot(
        number=number,
        status="open",
        cause=cause,
        causes={cause: 1},
        cells=1,
        area=1.0,
        scan=scan,
        index=index,
        opened=0,
        closed=None,
        end=None,
        merged_into=None,
    )


@st.composite
def areas(draw: st.DrawFn) -> WorkArea:
    """Plates and pipes, with up to four zones that may overlap, and a cable or none."""
    scan = Axis(
        name="scan",
        start=draw(st.sampled_from((0.0, -37.5, 1250.0))),
        resolution=draw(st.sampled_from((1.0, 2.5, 7.0))),
        cells=draw(st.integers(1, 60)),
    )
    wrapped = draw(st.booleans())
    index = Axis(
        name="index",
        start=draw(st.sampled_from((0.0, 12.0))),
        resolution=draw(st.sampled_from((2.0, 5.0))),
        cells=draw(st.integers(3 if wrapped else 1, 24)),
        wrapped=wrapped,
    )
    around = index.cells * index.resolution
    room = draw(st.floats(0, 30))
    index_low, index_high = -math.inf, math.inf
    if not wrapped:
        low, high = index.edges(0, index.cells - 1)
        index_low, index_high = low - room, high + draw(st.floats(0, 30))
    low, high = scan.edges(0, scan.cells - 1)
    limits = MotionLimits(
        scan=AxisLimits(
            low=low - draw(st.floats(0, 40)),
            high=high + draw(st.floats(0, 40)),
            speed=draw(st.floats(5, 400)),
            acceleration=draw(st.floats(20, 2000)),
        ),
        index=AxisLimits(
            low=index_low,
            high=index_high,
            speed=draw(st.floats(5, 100)),
            acceleration=draw(st.floats(20, 500)),
        ),
    )
    zones = []
    for number in range(draw(st.integers(0, 4))):
        x = scan.start + draw(st.floats(-20, 400))
        y = index.start + draw(st.floats(-20, 120))
        band = draw(st.integers(0, 9)) == 0
        across = (y, y + draw(st.floats(1, min(60.0, around - 1))))
        zones.append(
            KeepOutZone(f"z{number}", (x, x + draw(st.floats(1, 80))), None if band else across)
        )
    twist = None
    if wrapped and draw(st.booleans()):
        twist = Twist.of(index, turns=draw(st.floats(0.5, 3)))
    return WorkArea(
        scan=scan,
        index=index,
        limits=limits,
        zones=Zones(zones, clearance=draw(st.sampled_from((0.0, 3.0))), scan=scan, index=index),
        twist=twist,
        together=draw(st.booleans()),
    )


def rasters() -> st.SearchStrategy[RasterSettings]:
    """Rasters of every pattern and direction."""
    return st.builds(
        RasterSettings,
        footprint=st.floats(1, 12),
        overlap=st.floats(0, 0.5),
        reading_rate=st.floats(5, 500),
        hits_per_cell=st.sampled_from((1.0, 2.0)),
        settle=st.sampled_from((0.0, 0.2)),
        pattern=st.sampled_from(Pattern),
        along=st.sampled_from(("scan", "index")),
    )


def distance_to_zone(area: WorkArea, zone: KeepOutZone, scan: float, index: float) -> float:
    """Return how far a place is from a zone at least, along the axis that parts them more; mm.

    On a pipe the zone is looked for at every turn near the place.
    """
    dx = max(zone.scan[0] - scan, scan - zone.scan[1])
    if zone.index is None:
        return dx
    turns = [0.0]
    if area.index.wrapped:
        around = area.index.cells * area.index.resolution
        near = round((index - zone.index[0]) / around)
        turns = [(near + k) * around for k in (-2, -1, 0, 1, 2)]
    dy = min(max(zone.index[0] + t - index, index - zone.index[1] - t) for t in turns)
    return max(dx, dy)


def walk(move: Move) -> list[tuple[float, float]]:
    """Return places along a move, both ends included."""
    return [
        (
            move.start[0] + (move.end[0] - move.start[0]) * k / _STEPS,
            move.start[1] + (move.end[1] - move.start[1]) * k / _STEPS,
        )
        for k in range(_STEPS + 1)
    ]


def times_passed(moves: Iterable[Move], over: WorkArea, *, along: int) -> Ints:
    """Return how many scans pass the centre of each cell with some live probe, shape (index, scan).

    A probe is at the datum plus its offset; the cell of its position on the other axis is the row.
    """
    found = np.zeros((over.index.cells, over.scan.cells), np.int64)
    axis, across = over.axes[along], over.axes[1 - along]
    for move in moves:
        if move.kind is not MoveKind.SCAN:
            continue
        for probe in over.carriage.live:
            offset = (probe.scan, probe.index)
            low, high = sorted((move.start[along] + offset[along], move.end[along] + offset[along]))
            row = int(across.cell(np.array([move.start[1 - along] + offset[1 - along]]))[0])
            if row < 0:
                continue
            passed = np.zeros(axis.cells, bool)
            turn = axis.cells * axis.resolution
            first = math.floor((low - axis.start) / turn) - 1 if axis.wrapped else 0
            last = math.ceil((high - axis.start) / turn) if axis.wrapped else 0
            for k in range(first, last + 1):
                centres = axis.centres + k * turn
                passed |= (centres >= low - 1e-6) & (centres <= high + 1e-6)
            if along == 0:
                found[row] += passed
            else:
                found[:, row] += passed
    return found
