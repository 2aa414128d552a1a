"""The grid as chunked zarr arrays that any reader opens: ``xarray.open_zarr(path)``.

Dimensions are named, coordinates are in mm, attributes follow the CF conventions (flag_values and
flag_meanings for the state). Only whole chunks are written, each replaced atomically by the store;
temporary files that a kill leaves are removed at the next start.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swathe.errors import SurveyError
from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells.known_times import NO_TIME
from swathe.reading_flags import flag_attributes
from swathe.safe_files import SafeFolder
from swathe.station import Axis, CellRule, Station, kept_channels, kept_waveforms
from swathe.store.attributes import survey_attributes
from swathe.store.digests import FileDigest
from swathe_drivers import ChannelFormat, WaveformFormat

if TYPE_CHECKING:
    import zarr

__all__ = [
    "COORDINATES",
    "LAYERS",
    "SPOT_ATTRIBUTES",
    "GridBlock",
    "SurveyArrays",
    "axis_attributes",
    "channel_attributes",
    "layer_attributes",
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


COORDINATES = frozenset({"scan", "index", "spot", "sample_time"})
"""Arrays that are written once; all others are layers of the cells, written in whole chunks."""

SPOT_ATTRIBUTES: dict[str, Any] = {"long_name": "name of the spot"}
"""Of the coordinate that names the spots of a plan without an encoder."""


@dataclass(frozen=True, slots=True)
class GridBlock:
    """A rectangle of whole chunks of the grid, and the layers' values there."""

    rows: slice
    columns: slice
    layers: dict[str, NDArray[Any]]


# An A-scan is about a hundred times as large as the other layers of a cell: its chunks are smaller,
# and one of them holds a stretch of a few lines, as a B-scan needs.
_WAVEFORM_CHUNK = (4, 64)


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


class SurveyArrays:
    """The zarr group of one survey; one writer at a time.

    Args:
        path: the group's folder, in that of the survey.
        station: fixes shape, chunks and attributes.
        on_written: called with the name of a file, relative to the survey's folder, and its digest;
            None when it was removed.
    """

    def __init__(
        self,
        path: Path,
        station: Station,
        *,
        on_written: Callable[[str, FileDigest | None], None] | None = None,
    ) -> None:
        self.path = path
        self._folder = SafeFolder(path.parent)
        self._on_written = on_written
        self._station = station
        rows, columns = station.shape
        self._chunks = (
            min(station.store.chunk_index, rows),
            min(station.store.chunk_scan, columns),
        )
        self._group: zarr.Group | None = None
        self._waveforms = kept_waveforms(station)
        self._channels = kept_channels(station)
        self._layers = (*LAYERS, *(channel.name for channel in self._channels))

    def open(self) -> None:
        """Open the group for writing, and create what it lacks.

        Arrays of another shape are created again, empty.

        Raises:
            SurveyError: it cannot be written.
        """
        # Imported here: zarr takes a tenth of a second to import, and the ports do not wait for it.
        import zarr

        from swathe.store.survey_store import SurveyStore

        try:
            self._sweep()
            store = SurveyStore(self._folder, self.path.name, on_written=self._on_written)
            # What the arrays themselves say counts: the list in the group is written again below.
            group = zarr.open_group(store, mode="a", zarr_format=3, use_consolidated=False)
            if "state" in group and group["state"].shape != self._station.shape:  # type: ignore[union-attr]
                # The plan was extended; all cells are written again from the journal.
                group = zarr.open_group(store, mode="w", zarr_format=3)
            for name, (dtype, _) in LAYERS.items():
                if name not in group:
                    attributes = layer_attributes(name, self._station.survey.cell_rule)
                    self._create(group, name, dtype, attributes)
            for channel in self._channels:
                if channel.name not in group:
                    self._create(group, channel.name, "float32", channel_attributes(channel))
            if self._waveforms is not None and "waveform" not in group:
                self._create_waveforms(group, self._waveforms)
            self._write_coordinates(group)
            self._set_attributes(group, survey_attributes(self._station))
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error
        self._group = group

    def describe(self, attributes: Mapping[str, Any]) -> None:
        """Set attributes of the whole survey, such as what is known only at the end of a run.

        Args:
            attributes: by name; one that is None is removed.

        Raises:
            SurveyError: the disk is full or absent.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        try:
            self._set_attributes(group, attributes)
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error

    def _set_attributes(self, group: zarr.Group, attributes: Mapping[str, Any]) -> None:
        import zarr

        known = {**group.attrs.asdict(), **attributes}
        # In the order of their names: which of them was known first is no part of the result.
        group.attrs.put({key: known[key] for key in sorted(known) if known[key] is not None})
        with warnings.catch_warnings():
            # Readers open it faster so; libraries that ignore it lose nothing.
            warnings.filterwarnings("ignore", message="Consolidated metadata")
            zarr.consolidate_metadata(group.store)

    def _create(self, group: zarr.Group, name: str, dtype: str, attributes: dict[str, Any]) -> None:
        floating = np.issubdtype(np.dtype(dtype), np.floating)
        group.create_array(
            name,
            shape=self._station.shape,
            chunks=self._chunks,
            dtype=dtype,
            fill_value=np.nan if floating else NO_TIME if name == "last_time" else 0,
            dimension_names=("index", "scan"),
            attributes=attributes,
        )

    def _create_waveforms(self, group: zarr.Group, form: WaveformFormat) -> None:
        rows, columns = self._station.shape
        chunk = (min(_WAVEFORM_CHUNK[0], rows), min(_WAVEFORM_CHUNK[1], columns), form.samples)
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

    def _write_coordinates(self, group: zarr.Group) -> None:
        for axis in (self._station.scan_axis, self._station.index_axis):
            if axis.name in group:
                continue
            group.create_array(
                axis.name,
                data=axis.centres,
                dimension_names=(axis.name,),
                attributes=axis_attributes(axis, spots=self._station.spots is not None),
            )
        if self._station.spots is not None and "spot" not in group:
            group.create_array(
                "spot",
                data=spot_names([spot.name for spot in self._station.spot_list]),
                dimension_names=("scan",),
                attributes=SPOT_ATTRIBUTES,
            )

    @property
    def band_height(self) -> int:
        """Rows of whole chunks of every layer: a multiple of it begins a chunk."""
        if self._waveforms is None:
            return self._chunks[0]
        return math.lcm(self._chunks[0], min(_WAVEFORM_CHUNK[0], self._station.shape[0]))

    def blocks(self, grid: Grid, spans: Mapping[int, tuple[int, int]]) -> list[GridBlock]:
        """Copy the whole chunks that hold changed cells, so that they can be written during the scan.

        Args:
            grid: the cells.
            spans: by row, first and last column of what changed.
        """
        blocks = [
            GridBlock(
                rows, columns, {name: grid.layer(name, rows, columns) for name in self._layers}
            )
            for rows, columns in _whole_chunks(spans, self._chunks, grid.shape)
        ]
        if grid.waveform is not None:
            cube = grid.waveform.reshape(*grid.shape, -1)
            blocks += [
                GridBlock(rows, columns, {"waveform": cube[rows, columns].copy()})
                for rows, columns in _whole_chunks(spans, _WAVEFORM_CHUNK, grid.shape)
            ]
        return blocks

    def names(self, blocks: Iterable[GridBlock]) -> Iterator[str]:
        """Yield the names of the files that hold blocks, relative to the survey's folder.

        Raises:
            SurveyError: the disk is full or absent.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        for block in blocks:
            for layer in block.layers:
                chunks = group[layer].chunks  # type: ignore[union-attr]
                rows, columns = (
                    range(part.start // size, -(-part.stop // size))
                    for part, size in zip((block.rows, block.columns), chunks[:2], strict=True)
                )
                last = "/0" * (len(chunks) - 2)
                for row, column in product(rows, columns):
                    yield f"{self.path.name}/{layer}/c/{row}/{column}{last}"

    def write(self, blocks: Iterable[GridBlock]) -> None:
        """Write blocks of whole chunks; may run in another thread, but only one at a time.

        Raises:
            SurveyError: the disk is full or absent. The journal has everything; make room and
                ``swathe rebuild``.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        try:
            for block in blocks:
                for name, values in block.layers.items():
                    group[name][block.rows, block.columns] = values  # type: ignore[index]
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error

    def _sweep(self) -> None:
        """Remove temporary files of the store that a kill left."""
        for name in list(self._folder.names(self.path.name)):
            if name.endswith(".partial"):
                self._folder.remove(name)


def _whole_chunks(
    spans: Mapping[int, tuple[int, int]], chunk: tuple[int, int], shape: tuple[int, int]
) -> list[tuple[slice, slice]]:
    """Return the rows and columns of whole chunks that hold the spans, one rectangle a band of chunks."""
    (height, width), (rows, columns) = chunk, shape
    bands: dict[int, tuple[int, int]] = {}
    for row, (first, last) in spans.items():
        before = bands.get(row // height, (first, last))
        bands[row // height] = min(first, before[0]), max(last, before[1])
    return [
        (
            slice(band * height, min((band + 1) * height, rows)),
            slice(first // width * width, min((last // width + 1) * width, columns)),
        )
        for band, (first, last) in sorted(bands.items())
    ]
