"""A cell and a line as JSON values; lengths in mm, times of flight in µs."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from swathe.echo import view_ascan
from swathe.messages import moment
from swathe.page.ascans import ascan_values
from swathe.page.source import Source
from swathe.pipeline import EARLIEST_NS, CellState
from swathe.reading_flags import flag_names
from swathe.report.thinning import BY_URGENCY, URGENCY, pool
from swathe.station import kept_waveforms, law_of, station_of_probe

__all__ = ["cell_reading", "line_profile"]

# Points of a profile; a screen shows no more.
_MAX_POINTS = 1500


def cell_reading(source: Source, row: int, column: int) -> dict[str, Any]:
    """Return the contents of a cell, with the A-scan of its reading where A-scans are kept.

    Raises:
        LookupError: the grid has no such cell.
    """
    grid = source.grid
    rows, columns = grid.shape
    if not (0 <= row < rows and 0 <= column < columns):
        msg = f"the grid has {rows} × {columns} cells"
        raise LookupError(msg)
    cell = row * columns + column
    hits = int(grid.hits[cell])
    read = hits > 0
    last = int(grid.last_time[cell])
    return {
        "row": row,
        "column": column,
        "scan": round(float(grid.scan.start + column * grid.scan.resolution), 3),
        "index": round(float(grid.index.start + row * grid.index.resolution), 3),
        "state": CellState(int(grid.state[cell])).name.lower(),
        "hits": hits,
        "quality": list(flag_names(int(grid.quality[cell]))),
        "passes": int(grid.passes[cell]),
        "thickness": _number(grid.thickness[cell], 3) if read else None,
        "thickness_mean": _number(float(grid.mean_thickness(cell)), 3) if read else None,
        "time_of_flight": _number(grid.time_of_flight[cell], 4) if read else None,
        "amplitude": _number(grid.amplitude[cell], 1) if read else None,
        "last_time": moment(last).isoformat() if read and last >= EARLIEST_NS else None,
        "waveform": _waveform(source, cell) if read else None,
    }


def _waveform(source: Source, cell: int) -> dict[str, Any] | None:
    """Return the A-scan that a cell keeps: ``samples`` as sent, and what was measured in it."""
    station = source.station
    form = kept_waveforms(station)
    if (number := int(source.grid.probe[cell])) < len(station.probes):
        station = station_of_probe(station, number)
    if source.grid.waveform is None or form is None:
        return None
    samples = source.grid.waveform[cell].astype(np.float64)
    percent = (samples - form.zero) / form.full_scale * 100
    sent = {"samples": np.round(percent, 1).tolist()}
    if station.echo is None:
        return sent | {"start": form.start_us, "interval": form.interval_us}
    law = law_of(station)
    view = view_ascan(
        percent,
        interval_us=form.interval_us,
        start_us=form.start_us,
        settings=station.echo,
        zero_offset_us=0.0 if law is None else law.zero_offset,
    )
    return sent | ascan_values(view)


def line_profile(source: Source, row: int) -> dict[str, Any]:
    """Return minimum thickness and most urgent state along a line, at 1500 points at most.

    Raises:
        LookupError: the grid has no such line.
    """
    grid = source.grid
    rows, columns = grid.shape
    if not 0 <= row < rows:
        msg = f"the grid has {rows} lines"
        raise LookupError(msg)
    wide = -(-columns // _MAX_POINTS)
    line = slice(row * columns, (row + 1) * columns)
    thickness = np.where(grid.hits[line] > 0, grid.thickness[line], np.inf)[np.newaxis]
    minimum = pool(thickness, (1, wide), np.minimum)[0]
    state = BY_URGENCY[pool(URGENCY[grid.state[line]][np.newaxis], (1, wide), np.maximum)[0]]
    return {
        "row": row,
        "index": round(float(grid.index.start + row * grid.index.resolution), 3),
        "start": grid.scan.start + (wide - 1) / 2 * grid.scan.resolution,
        "step": wide * grid.scan.resolution,
        "thickness": [_number(value, 3) for value in minimum.tolist()],
        "state": state.tolist(),
    }


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None
