"""What a check of a survey found, as text."""

from __future__ import annotations

from itertools import groupby

import numpy as np

from swathe.display_units import DisplayUnits
from swathe.errors import SwatheError
from swathe.messages import moment
from swathe.pipeline.progress.fields import count_text
from swathe.station import Axis, Station
from swathe.store import (
    COORDINATES,
    FileFault,
    FileFaultKind,
    SurveyCheck,
    SurveyFolder,
    advice,
    open_arrays,
)

__all__ = ["survey_check_lines"]

# Chunks of one layer, or of all, that are listed one by one.
_MOST_LISTED = 20


def survey_check_lines(folder: SurveyFolder, check: SurveyCheck) -> list[str]:
    """Return the lines of a check: what is damaged, what that means, and what remedies it."""
    lines = [f"journal: DAMAGED: {text}" for text in check.damage]
    if check.damage:
        lines.append(
            "    what the journal lost cannot be computed again: restore its files from a copy"
        )
    else:
        lines.append(f"journal: {count_text(check.journal_files, 'file')}, good")
    if not check.faults:
        lines.append(f"derived files: {count_text(len(check.digests.files), 'file')}, good")
    station = _plan(folder)
    for kind, faults in groupby(sorted(check.faults, key=_by_kind), key=lambda one: one.kind):
        listed = list(faults)
        word = "DAMAGED" if kind.is_damage else "NOT VERIFIED"
        for fault in listed[:_MOST_LISTED]:
            lines.append(f"{word}: {fault}")
            lines += [f"    {text}" for text in _meaning(folder, station, fault)]
        if len(listed) > _MOST_LISTED:
            lines.append(f"{word}: {len(listed) - _MOST_LISTED} more files of this kind")
    if check.faults and folder.stored_away:
        lines.append(advice(folder, ""))
    elif check.faults and not check.digests.options:
        lines.append("these files are derived from the journal: --repair writes them again")
    elif check.faults:
        lines.append(f"repeat `swathe rebuild {check.digests.options}` on the survey")
    return lines


def _by_kind(fault: FileFault) -> tuple[int, str]:
    return list(FileFaultKind).index(fault.kind), fault.name


def _plan(folder: SurveyFolder) -> Station | None:
    """Return the plan that the journal has; None if that cannot be read."""
    try:
        return folder.plan()
    except SwatheError:
        return None


def _meaning(folder: SurveyFolder, station: Station | None, fault: FileFault) -> list[str]:
    """Return what depends on a derived file."""
    if fault.name == folder.record.name:
        return ["coverage, gaps, checks, alarms and the minimum thickness of the survey"]
    if fault.name == folder.picture.name:
        return ["the drawing of the survey"]
    array, _, rest = fault.name.removeprefix(f"{folder.zarr.name}/").partition("/")
    if not fault.name.startswith(f"{folder.zarr.name}/"):
        return []
    numbers = rest.removesuffix(".partial").split("/")
    if numbers[0] != "c" or array in COORDINATES or station is None:
        return [f"'{array}' of all cells" if rest else "names and attributes of all arrays"]
    return _cells(folder, station, array, numbers[1:3])


def _cells(folder: SurveyFolder, station: Station, layer: str, numbers: list[str]) -> list[str]:
    """Return which cells a chunk has, and when they were read last."""
    try:
        group = open_arrays(folder)
        height, width = group[layer].chunks[:2]  # type: ignore[union-attr]
        row, column = (int(number) for number in numbers)
    except (SwatheError, KeyError, ValueError):
        return [f"'{layer}' of some cells"]
    rows = slice(row * height, min((row + 1) * height, station.shape[0]))
    columns = slice(column * width, min((column + 1) * width, station.shape[1]))
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return ["outside the grid: no cell"]
    units = station.display
    where = (
        f"'{layer}' of the cells at scan {_extent(station.scan_axis, columns, units)}, "
        f"index {_extent(station.index_axis, rows, units)}"
    )
    try:
        times = np.asarray(group["last_time"][rows, columns])  # type: ignore[index]
    except SwatheError:
        return [where]
    if not (read := times[times > 0]).size:
        return [where, "    without a valid reading whose time is known"]
    first, last = (moment(int(time)) for time in (read.min(), read.max()))
    return [where, f"    read last from {first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} UTC"]


def _extent(axis: Axis, cells: slice, units: DisplayUnits) -> str:
    low = float(axis.centres[cells.start]) - axis.resolution / 2
    high = float(axis.centres[cells.stop - 1]) + axis.resolution / 2
    return f"{units.stated_number(low)} to {units.stated_text(high)}"
