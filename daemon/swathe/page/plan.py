"""The plan as a viewer gets it first: part, axes, levels of the map, limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from swathe.display_units import INCHES, MILLIMETRES
from swathe.messages import STATE_TITLES, STATE_WORDS
from swathe.page.pyramid import NO_THICKNESS, STEPS_PER_MM, TILE, Level
from swathe.page.source import Source
from swathe.pipeline import CellState
from swathe.report.thinning import URGENCY
from swathe.station import (
    Axis,
    AxisMode,
    MotionTable,
    Station,
    ThicknessScale,
    beam_warnings,
    probes_of,
    scale_ticks,
    thickness_scale,
)

__all__ = ["page_words", "viewer_plan"]


def viewer_plan(
    source: Source, levels: Sequence[Level], *, session: str, placing: str
) -> dict[str, Any]:
    """Return the plan as JSON values; lengths in mm.

    Args:
        source: the daemon.
        levels: of the pyramid.
        session: identity of this run of the daemon; what a viewer has of another one is stale.
        placing: changes when the survey is placed again: no tile of another one may be shown.
    """
    station, grid = source.station, source.grid
    stepped = station.index is not None and station.index.mode is AxisMode.STEPPED
    return {
        "version": 1,
        "words": page_words(),
        "session": session,
        "placing": placing,
        "station": station.name,
        "survey": source.survey,
        "part": station.survey.part,
        "units": station.units,
        "operator": station.survey.operator,
        "scan": _axis(grid.scan, station.scan.high_end),
        "index": None if station.index is None else _axis(grid.index, station.index.high_end),
        "stepped": stepped,
        "advance": str(station.index.advance) if station.index and stepped else None,
        "levels": [[level.rows, level.columns, level.tall, level.wide] for level in levels],
        "tile": TILE,
        "steps_per_mm": STEPS_PER_MM,
        "no_thickness": NO_THICKNESS,
        "states": [state.name.lower() for state in CellState],
        "urgency": URGENCY.tolist(),
        "nominal": station.survey.nominal_thickness,
        "alert_below": station.survey.alert_below,
        "scale": _scale(thickness_scale(station)),
        "warnings": beam_warnings(station),
        "sensitivity": station.sensitivity is not None and len(station.probes) < 2,
        "target": station.survey.target_coverage,
        "rule": str(station.survey.cell_rule),
        "waveforms": grid.waveform is not None,
        "motion": None if station.motion is None else _motion(station.motion),
        "probes": _probes(station),
        "turns": station.carriage is not None and station.carriage.heading is not None,
        "heading": source.heading(),
        "excluded": [
            {"name": zone.name, "scan": zone.scan, "index": zone.index} for zone in station.exclude
        ],
    }


def page_words() -> dict[str, dict[str, str]]:
    """Return the words for what a run does, by state: in a line, and as headings."""
    return {"states": dict(STATE_WORDS), "titles": dict(STATE_TITLES)}


def _probes(station: Station) -> list[dict[str, Any]]:
    """Return name and offset of each of several probes at a heading of 0, mm."""
    return [
        {"name": one.name, "scan": one.scan, "index": one.index}
        for one in (probes_of(station).probes if station.probes else ())
    ]


def _motion(motion: MotionTable) -> dict[str, Any]:
    """Return the dead man's time in s, and what happens after it."""
    heartbeat = motion.guard.heartbeat
    return {
        "heartbeat": None if heartbeat is None else heartbeat / 1e9,
        "when_stopped": motion.guard.when_stopped,
    }


def _scale(scale: ThicknessScale) -> dict[str, Any]:
    """Return the ends of the colours of thickness, and the ticks in either unit, all in mm."""
    return {
        "low": scale.low,
        "high": scale.high,
        "ticks": {"mm": scale_ticks(scale, MILLIMETRES), "in": scale_ticks(scale, INCHES)},
    }


def _axis(axis: Axis, high_end: str) -> dict[str, Any]:
    return {
        "high_end": high_end,
        "start": axis.start,
        "resolution": axis.resolution,
        "cells": axis.cells,
        "wrapped": axis.wrapped,
    }
