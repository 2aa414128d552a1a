"""What the scanner does by itself: a raster, or a hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swathe_simulators.base import Floats
from swathe_simulators.scenario_models import FastStretchModel, HandModel, RasterModel
from swathe_simulators.trajectory import Piece, Trajectory, travel


def lines_of(model: RasterModel | HandModel) -> Floats:
    """Return the index positions of the lines of a scenario, mm."""
    if isinstance(model, HandModel):
        return np.array([model.index_mm])
    return np.array(
        [model.index_start_mm + model.index_step_mm * n for n in range(model.index_count)]
    )


def program(model: RasterModel | HandModel, random: np.random.Generator) -> Trajectory:
    """Return the whole planned motion of a scenario, from its wait to its end.

    Raises:
        ValueError: a fast stretch is too short to change speed in; lengthen it or raise
            its acceleration.
    """
    if isinstance(model, RasterModel):
        start = model.scan_start_mm - model.run_out_mm
        pieces = [Piece(model.wait_s), *_raster(model)]
        return Trajectory(scan=start, index=model.index_start_mm, pieces=pieces)
    pieces = [Piece(model.wait_s), *_hand(model, random)]
    return Trajectory(scan=model.scan_start_mm, index=model.index_mm, pieces=pieces)


def _raster(model: RasterModel) -> list[Piece]:
    pieces: list[Piece] = []
    low = model.scan_start_mm - model.run_out_mm
    high = model.scan_end_mm + model.run_out_mm
    forward = True
    for line in range(model.index_count):
        fast = [stretch for stretch in model.fast if stretch.line == line]
        pieces += _line(model, Piece(0.0, line=line), low, high, forward=forward, fast=fast)
        last = line == model.index_count - 1
        if model.pattern == "one_way":
            pieces += travel(
                low - high,
                Piece(0.0, lifted=True),
                limit=model.return_speed_mm_per_s or model.speed_mm_per_s,
                acceleration=model.acceleration_mm_per_s2,
            )
        else:
            forward = not forward
        if not last:
            pieces += travel(
                model.index_step_mm,
                Piece(0.0, axis="index"),
                limit=model.index_speed_mm_per_s,
                acceleration=model.index_acceleration_mm_per_s2,
            )
        pieces.append(Piece(model.pause_s))
    return pieces


def _line(
    model: RasterModel,
    template: Piece,
    low: float,
    high: float,
    *,
    forward: bool,
    fast: Sequence[FastStretchModel],
) -> list[Piece]:
    """Drive one line from run-out to run-out, with its fast stretches."""
    limit, rate = model.speed_mm_per_s, model.acceleration_mm_per_s2
    length = high - low

    def ahead(position: float) -> float:
        return position - low if forward else high - position

    # (from, to, limit, acceleration) along the line, ordinary and fast in turn.
    stretches: list[tuple[float, float, float, float]] = []
    done = 0.0
    for stretch in sorted(fast, key=lambda f: ahead(f.from_mm)):
        near, far = sorted((ahead(stretch.from_mm), ahead(stretch.to_mm)))
        stretches.append((done, near, limit, rate))
        stretches.append((near, far, stretch.speed_mm_per_s, stretch.acceleration_mm_per_s2))
        done = far
    stretches.append((done, length, limit, rate))

    pieces: list[Piece] = []
    speed = 0.0
    for begin, end, top, acceleration in stretches:
        # At a joint the ordinary speed rules, unless the line's end is too near for it.
        joint = min(limit, math.sqrt(2 * rate * begin), math.sqrt(2 * rate * (length - begin)))
        speed = min(speed, joint)
        after = min(limit, math.sqrt(2 * rate * end), math.sqrt(2 * rate * max(0.0, length - end)))
        sign = 1.0 if forward else -1.0
        pieces += travel(
            sign * (end - begin),
            template,
            limit=top,
            acceleration=acceleration,
            speed_in=speed,
            speed_out=after,
        )
        speed = after
    return pieces


def _hand(model: HandModel, random: np.random.Generator) -> list[Piece]:
    limit, rate = model.max_speed_mm_per_s, model.acceleration_mm_per_s2
    template = Piece(0.0, line=0)
    events: list[tuple[float, float, float]] = [(s.at_mm, s.for_s, 0.0) for s in model.stops]
    events += [(r.at_mm, 0.0, r.back_mm) for r in model.reversals]
    pieces: list[Piece] = []
    position = model.scan_start_mm
    for at, rest, back in [*sorted(events), (model.scan_end_mm, 0.0, 0.0)]:
        pieces += _hand_leg(model, at - position, random)
        position = at
        if rest:
            pieces.append(replace(template, duration_s=rest))
        if back:
            pieces += travel(-back, template, limit=limit / 2, acceleration=rate)
            position -= back
    return pieces


def _hand_leg(model: HandModel, distance: float, random: np.random.Generator) -> list[Piece]:
    """Go forward from rest to rest at an irregular speed, in pieces of 0.15 to 0.5 s."""
    low, high, rate = (
        model.min_speed_mm_per_s,
        model.max_speed_mm_per_s,
        model.acceleration_mm_per_s2,
    )
    template = Piece(0.0, line=0)
    pieces: list[Piece] = []
    left, speed, drift = distance, 0.0, 0.0
    while True:
        # An autoregressive drift makes neighbouring speeds alike, as a hand's are.
        drift = 0.8 * drift + 0.6 * random.standard_normal()
        wish = low + (high - low) / (1.0 + math.exp(-1.2 * drift))
        time = random.uniform(0.15, 0.5)
        wish = min(max(wish, speed - rate * time), speed + rate * time)
        displacement = (speed + wish) / 2 * time
        if left - displacement < wish**2 / (2 * rate):
            pieces += travel(
                left, template, limit=max(speed, low), acceleration=rate, speed_in=speed
            )
            return pieces
        pieces.append(
            replace(template, duration_s=time, speed=speed, acceleration=(wish - speed) / time)
        )
        left, speed = left - displacement, wish
