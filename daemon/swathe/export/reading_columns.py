"""The columns of readings with their places: what each one is, and as a Dataset."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.export.readings import fate_name
from swathe.pipeline import ReadingFate
from swathe.reading_flags import flag_attributes
from swathe.store import dataset_from
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME

if TYPE_CHECKING:
    import xarray

__all__ = ["READING_COLUMNS", "reading_columns", "readings_dataset"]

READING_COLUMNS: Final[dict[str, tuple[str, str, str]]] = {
    "run": ("uint32", "1", "run of the survey, from 1"),
    "time": ("time", "UTC", "time of the reading; by the clock of the station's computer"),
    "scan_mm": ("float64", "mm", "position on the scan axis; null without a place"),
    "index_mm": ("float64", "mm", "position on the index axis; null without a place"),
    "place": ("words", "1", "'on plan', or why the reading is in no cell"),
    "row": ("int32", "1", "row of its cell, from 0, on the index axis; null in no cell"),
    "column": ("int32", "1", "column of its cell, from 0, on the scan axis; null in no cell"),
    "valid": ("bool", "1", "whether there was an echo that is a measurement"),
    "thickness_mm": ("float64", "mm", "wall thickness; null without a valid echo"),
    "time_of_flight_us": ("float64", "us", "time of flight; null where the device sends none"),
    "amplitude_percent": ("float32", "percent", "of full screen height; null where there is none"),
    "flags": ("uint16", "1", "what is doubtful about the reading, as bits"),
    "probe": ("uint8", "1", "number of the probe, from 0"),
    "device_time_ns": (
        "int64",
        "ns",
        "by the device's own clock, as it was sent; null without one",
    ),
    "sequence": ("int64", "1", "running number, as it was sent; null without one"),
    "offset": ("int64", "byte", "of the record in the stream of the gauge's port, in its run"),
    "size": ("int32", "byte", "of the record, without the end of a line; 0 where it is not known"),
}
"""Type, unit and meaning of each column."""


def reading_columns(
    part: NDArray[Any], shape: tuple[int, int]
) -> dict[str, tuple[NDArray[Any], NDArray[np.bool_] | None]]:
    """Return the columns of readings by name: values, and where there is one; None everywhere.

    Args:
        part: dtype `PLACED_READING`, shape (n,).
        shape: rows and columns of the grid.
    """
    one = part["reading"]
    in_cell = part["cell"] >= 0
    row, column = np.divmod(part["cell"], max(shape[1], 1))
    placed = np.isfinite(part["scan"])
    values: dict[str, tuple[NDArray[Any], NDArray[np.bool_] | None]] = {
        "run": (part["run"], None),
        "time": (part["utc"], None),
        "scan_mm": (part["scan"], placed),
        "index_mm": (part["index"], placed),
        "place": (part["fate"].astype(np.int8), None),
        "row": (row.astype(np.int32), in_cell),
        "column": (column.astype(np.int32), in_cell),
        "valid": (one["valid"], None),
        "thickness_mm": (one["thickness"], np.isfinite(one["thickness"])),
        "time_of_flight_us": (one["time_of_flight"], np.isfinite(one["time_of_flight"])),
        "amplitude_percent": (one["amplitude"], np.isfinite(one["amplitude"])),
        "flags": (one["flags"], None),
        "probe": (one["probe"], None),
        "device_time_ns": (one["device_time"], one["device_time"] != ABSENT_TIME),
        "sequence": (one["sequence"], one["sequence"] != ABSENT_SEQUENCE),
        "offset": (one["offset"], None),
        "size": (one["size"], None),
    }
    return {
        name: (np.ascontiguousarray(data), None if known is None else np.ascontiguousarray(known))
        for name, (data, known) in values.items()
    }


def readings_dataset(part: NDArray[Any], shape: tuple[int, int]) -> xarray.Dataset:
    """Return readings as a Dataset over ``reading``; a number that is missing is NaN, or -1 of a whole one.

    Args:
        part: dtype `PLACED_READING`, shape (n,).
        shape: rows and columns of the grid.

    Raises:
        SwatheError: xarray is not installed.
    """
    words = np.array([fate_name(fate) for fate in ReadingFate])
    layers = {}
    for name, (values, known) in reading_columns(part, shape).items():
        _, unit, text = READING_COLUMNS[name]
        attributes: dict[str, Any] = {"long_name": text}
        if name == "place":
            column = words[values]
        elif name == "time":
            column = values.view("datetime64[ns]")
        else:
            attributes["units"] = unit
            column = values
            if known is not None and values.dtype.kind == "i":
                column = np.where(known, values, -1)
        if name == "flags":
            attributes |= flag_attributes()
        layers[name] = (("reading",), column, attributes)
    return dataset_from(layers, {}, {})
