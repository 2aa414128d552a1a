"""All cells of a survey as text, for a spreadsheet or any other reader."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.display_units import DisplayUnits
from swathe.evaluation.cells import CellSource
from swathe.export.csv_header import THICKNESS_DECIMALS, write_header
from swathe.export.source import ExportSource
from swathe.pipeline import EARLIEST_NS, CellState
from swathe.reading_flags import flag_names
from swathe.store import COORDINATES, LAYERS

__all__ = ["write_cells"]

# Cells that are held as text at a time.
_BAND_CELLS = 100_000
_STATES = np.array([state.name.lower().replace("_", " ") for state in CellState])


def write_cells(source: ExportSource, path: Path) -> None:
    """Write one row for each cell, scanned or not, in the order of the grid.

    Lines that begin with ``#`` come first: what the survey is, and what each column is.

    Args:
        source: the survey.
        path: a file that is there, and is written over.

    Raises:
        SurveyError: what is read is not what was written.
    """
    cells = CellSource.of(source.arrays, band_cells=_BAND_CELLS)
    columns = _columns(source)
    with path.open("w", encoding="utf-8", newline="") as file:
        write_header(file, source, columns)
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for rows, part in _rectangles(cells):
            writer.writerows(_rows(source, cells, rows, part, columns))


def _columns(source: ExportSource) -> dict[str, str]:
    """Return what each column is, by its name."""
    unit = source.units.length_name
    of_spots = bool(source.record.spots)
    place = "number of the spot in the plan" if of_spots else "position of the cell's centre on the"
    columns = {
        **({"spot": "name of the spot"} if of_spots else {}),
        **(
            {"number": place}
            if of_spots
            else {f"scan_{unit}": f"{place} scan axis", f"index_{unit}": f"{place} index axis"}
        ),
        "state": "state of the cell, in words",
        "counts": "yes where the thickness counts: measured, and no doubt about it is unconfirmed",
        f"thickness_{unit}": "wall thickness: "
        + str(source.arrays["thickness"].attrs.get("comment", "")),
        f"thickness_mean_{unit}": "mean wall thickness of the valid readings",
        "time_of_flight_us": "time of flight of the reading that represents the cell",
        "amplitude_percent": "amplitude of that reading, per cent of full screen height",
        "hits": "valid readings in the cell",
        "passes": "times the probe entered the cell",
        "last_time": "UTC time of the last valid reading; empty by a clock that was not set",
        "quality": "what is doubtful about the thickness, in words; 'confirmed' where it was confirmed",
    }
    for name, attributes in _channels(source).items():
        columns[name] = f"{attributes['long_name']}, {attributes['units']}"
    return columns


def _channels(source: ExportSource) -> dict[str, dict[str, Any]]:
    """Return the attributes of the layers that are channels, by name."""
    known = {*COORDINATES, *LAYERS, "waveform"}
    return {name: dict(one.attrs) for name, one in source.arrays.arrays() if name not in known}


def _rectangles(cells: CellSource) -> Iterator[tuple[slice, slice]]:
    """Yield all cells in the order of the grid, in bands of whole rows, or in parts of long rows."""
    rows, columns = cells.shape
    height = max(1, cells.band_cells // columns)
    for row in range(0, rows, height):
        for column in range(0, columns, cells.band_cells):
            yield (
                slice(row, min(row + height, rows)),
                slice(column, min(column + cells.band_cells, columns)),
            )


def _rows(
    source: ExportSource,
    cells: CellSource,
    rows: slice,
    part: slice,
    columns: dict[str, str],
) -> Iterator[tuple[str, ...]]:
    units = source.units
    arrays: Any = source.arrays
    values = {
        name: np.asarray(arrays[name][rows, part]).ravel() for name in (*LAYERS, *_channels(source))
    }
    sound = cells.read(rows, part).sound.ravel()
    height, width = rows.stop - rows.start, part.stop - part.start
    scan = np.tile(np.asarray(arrays["scan"][part]), height)
    index = np.repeat(np.asarray(arrays["index"][rows]), width)
    decimals = THICKNESS_DECIMALS[units.length_name]
    texts: list[Sequence[str]] = []
    if source.record.spots:
        texts += [[str(name) for name in np.asarray(arrays["spot"][part])]]
        texts += [[str(int(number)) for number in scan.tolist()]]
    else:
        texts += [_places(scan, units), _places(index, units)]
    texts += [
        _STATES[values["state"]].tolist(),
        np.where(sound, "yes", "no").tolist(),
        _numbers(values["thickness"] / units.mm_per_unit, decimals),
        _numbers(values["thickness_mean"] / units.mm_per_unit, decimals),
        _numbers(values["time_of_flight"], 4),
        _numbers(values["amplitude"], 1),
        [str(number) for number in values["hits"].tolist()],
        [str(number) for number in values["passes"].tolist()],
        _times(values["last_time"]),
        [" ".join(flag_names(flags)) if flags else "" for flags in values["quality"].tolist()],
        *(_numbers(values[name], 4) for name in _channels(source)),
    ]
    assert len(texts) == len(columns)  # noqa: S101  a column for each title
    return zip(*texts, strict=True)


def _places(mm: NDArray[np.float64], units: DisplayUnits) -> list[str]:
    return [f"{value:.10g}" for value in np.round(mm / units.mm_per_unit, 6).tolist()]


def _numbers(values: NDArray[Any], decimals: int) -> list[str]:
    """Return numbers as text, empty where there is none."""
    return [
        f"{value:.{decimals}f}" if known else ""
        for value, known in zip(values.tolist(), np.isfinite(values).tolist(), strict=True)
    ]


def _times(ns: NDArray[np.int64]) -> list[str]:
    """Return times in ns UTC as text, empty where there is none."""
    texts = np.datetime_as_string(ns.view("datetime64[ns]"), unit="ms").tolist()
    known = (ns >= EARLIEST_NS).tolist()
    return [text + "Z" if there else "" for text, there in zip(texts, known, strict=True)]
