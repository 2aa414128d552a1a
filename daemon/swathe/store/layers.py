"""Which arrays a survey has: their types, attributes and chunks, and their creation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline import CellState
from swathe.pipeline.cells.known_times import NO_TIME
from swathe.reading_flags import flag_attributes
from swathe.station import NO_PROBE, Axis, CellRule, Station, kept_channels, kept_waveforms
from swathe_drivers import ChannelFormat, WaveformFormat

if TYPE_CHECKING:
    import zarr

__all__ = [
    "COORDINATES",
    "LAYERS",
    "PROBE_LAYER",
    "SPOT_ATTRIBUTES",
    "WAVEFORM_CHUNK",
    "axis_attributes",
    "channel_attributes",
    "create_lacking",
    "layer_attributes",
    "layer_chunks",
    "layer_names",
    "probe_attributes",
    "spot_names",
]

_RULE_TEXTS = {
    CellRule.MINIMUM: "minimum of the cell's readings",
    CellRule.MEAN: "mean of the cell's readings",
    CellRule.FIRST: "first of the cell's readings",
    CellRule.LAST: "last of the cell's readings",
    CellRule.STRONGEST: "reading of the cell with the highest amplitude",
}

LAYERS: dict[str, tuple[str, dict[str, Any]]] = {
    "thickness": ("float32", {"long_name": "wall thickness", "units": "mm"}),
    "thickness_mean": ("float32", {"long_name": "mean wall thickness of the hits", "units": "mm"}),
    "time_of_flight": ("float32", {"long_name": "time of flight of that reading", "units": "us"}),
    "amplitude": (
        "float32",
        {"long_name": "echo amplitude of that reading, of full screen height", "units": "percent"},
    ),
    "hits": ("uint32", {"long_name": "valid readings in the cell", "units": "1"}),
    "passes": ("uint32", {"long_name": "times the probe entered the cell", "units": "1"}),
    "last_time": (
        "int64",
        {
            "long_name": "time of the last valid reading",
            "comment": "missing where nothing was read, or by a clock that was not set (before 2026)",
            "units": "nanoseconds since 1970-01-01T00:00:00",
            "calendar": "proleptic_gregorian",
        },
    ),
    "state": (
        "uint8",
        {
            "long_name": "state of the cell",
            "flag_values": [int(state) for state in CellState],
            "flag_meanings": " ".join(state.name.lower() for state in CellState),
        },
    ),
    "quality": (
        "uint16",
        {"long_name": "what is doubtful about the thickness", **flag_attributes()},
    ),
}

PROBE_LAYER = "probe"
"""The layer of a station with several probes that says which one's reading represents the cell."""


COORDINATES = frozenset({"scan", "index", "spot", "sample_time"})
"""Arrays that are written once; all others are layers of the cells, written in whole chunks."""

SPOT_ATTRIBUTES: dict[str, Any] = {"long_name": "name of the spot"}
"""Of the coordinate that names the spots of a plan without an encoder."""

# An A-scan is about a hundred times as large as the other layers of a cell: its chunks are smaller,
# and one of them holds a stretch of a few lines, as a B-scan needs.
WAVEFORM_CHUNK = (4, 64)
"""Rows and columns of a chunk of A-scans; all their samples are in it."""


def layer_attributes(name: str, rule: CellRule) -> dict[str, Any]:
    """Return the attributes of a layer; that of the thickness names the cell rule."""
    attributes = LAYERS[name][1]
    return {**attributes, "comment": _RULE_TEXTS[rule]} if name == "thickness" else attributes


def channel_attributes(channel: ChannelFormat) -> dict[str, Any]:
    """Return the attributes of the layer of a channel."""
    return {
        "long_name": f"{channel.name.replace('_', ' ')} that the device sent",
        "units": channel.unit,
        "comment": "with the reading that represents the cell, or the last one before it",
    }


def probe_attributes(names: Sequence[str]) -> dict[str, Any]:
    """Return the attributes of the layer of probes, given their names."""
    return {
        "long_name": "probe whose reading represents the cell",
        "flag_values": list(range(len(names))),
        "flag_meanings": " ".join(names),
        "comment": f"{NO_PROBE} in a cell without a reading",
    }


def axis_attributes(axis: Axis, *, spots: bool = False) -> dict[str, Any]:
    """Return the attributes of an axis's coordinate.

    Args:
        axis: of the grid.
        spots: whether its cells are spots: positions are their numbers then.
    """
    if spots and axis.name == "scan":
        name, unit = "number of the spot in the plan", "1"
    else:
        name, unit = f"{axis.name} position of the cell's centre", "mm"
    return {
        "units": unit,
        "long_name": name,
        "axis": "X" if axis.name == "scan" else "Y",
        "resolution": axis.resolution,
        "wrapped": axis.wrapped,
    }


def spot_names(names: Sequence[str]) -> NDArray[Any]:
    """Return the names of spots as a coordinate, shape (n,)."""
    return np.array(names, np.dtypes.StringDType())


def create_lacking(group: zarr.Group, station: Station) -> None:
    """Create the arrays of a station's survey that a group lacks: layers, A-scans, coordinates."""
    for name, (dtype, _) in LAYERS.items():
        if name not in group:
            _create(group, station, name, dtype, layer_attributes(name, station.survey.cell_rule))
    if station.probes and PROBE_LAYER not in group:
        about = probe_attributes([probe.name for probe in station.probes])
        _create(group, station, PROBE_LAYER, "uint8", about)
    for channel in kept_channels(station):
        if channel.name not in group:
            _create(group, station, channel.name, "float32", channel_attributes(channel))
    waveforms = kept_waveforms(station)
    if waveforms is not None and "waveform" not in group:
        _create_waveforms(group, station, waveforms)
    _create_coordinates(group, station)


def layer_names(station: Station) -> tuple[str, ...]:
    """Return the names of the layers of a station's survey, without waveforms."""
    probe = (PROBE_LAYER,) if station.probes else ()
    return (*LAYERS, *probe, *(channel.name for channel in kept_channels(station)))


def layer_chunks(station: Station) -> tuple[int, int]:
    """Return rows and columns of a chunk of a layer."""
    rows, columns = station.shape
    return min(station.store.chunk_index, rows), min(station.store.chunk_scan, columns)


def _create(
    group: zarr.Group, station: Station, name: str, dtype: str, attributes: dict[str, Any]
) -> None:
    floating = np.issubdtype(np.dtype(dtype), np.floating)
    empty = {"last_time": NO_TIME, PROBE_LAYER: NO_PROBE}
    group.create_array(
        name,
        shape=station.shape,
        chunks=layer_chunks(station),
        dtype=dtype,
        fill_value=np.nan if floating else empty.get(name, 0),
        dimension_names=("index", "scan"),
        attributes=attributes,
    )


def _create_waveforms(group: zarr.Group, station: Station, form: WaveformFormat) -> None:
    rows, columns = station.shape
    chunk = (min(WAVEFORM_CHUNK[0], rows), min(WAVEFORM_CHUNK[1], columns), form.samples)
    group.create_array(
        "waveform",
        shape=(rows, columns, form.samples),
        chunks=chunk,
        dtype=form.dtype,
        fill_value=0,
        dimension_names=("index", "scan", "sample_time"),
        attributes={
            "long_name": "A-scan of the reading that represents the cell, as the device sent it",
            "comment": "amplitude in % of full screen height = (value - zero) / full_scale * 100",
            "zero": form.zero,
            "full_scale": form.full_scale,
        },
    )
    group.create_array(
        "sample_time",
        data=form.start_us + np.arange(form.samples) * form.interval_us,
        dimension_names=("sample_time",),
        attributes={"units": "us", "long_name": "time of the sample"},
    )


def _create_coordinates(group: zarr.Group, station: Station) -> None:
    for axis in (station.scan_axis, station.index_axis):
        if axis.name in group:
            continue
        group.create_array(
            axis.name,
            data=axis.centres,
            dimension_names=(axis.name,),
            attributes=axis_attributes(axis, spots=station.spots is not None),
        )
    if station.spots is not None and "spot" not in group:
        group.create_array(
            "spot",
            data=spot_names([spot.name for spot in station.spot_list]),
            dimension_names=("scan",),
            attributes=SPOT_ATTRIBUTES,
        )
