"""The A-scan of a cell, drawn with what was measured in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import zarr
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from swathe.echo import AscanView, envelope, view_ascan
from swathe.errors import SurveyError
from swathe.pipeline import CellState
from swathe.report.ascan_picture import plot_ascan
from swathe.report.drawing import save_drawing
from swathe.report.section import nearest, waveform_percent
from swathe.report.styles import MEASURED_ONLY, state_name
from swathe.station import Station, law_of, station_in_journal, station_of_probe
from swathe.store import SurveyFolder, open_arrays, read_verified_record

__all__ = ["ascan_figure", "draw_cell"]

# A time of flight that is stored in single precision and one computed from the same samples.
_SAME_US = 1e-3


def draw_cell(
    folder: SurveyFolder, scan_mm: float, index_mm: float, path: Path | None = None
) -> Path:
    """Draw the A-scan that a cell kept, with its gates and the points that were measured.

    Args:
        folder: the survey.
        scan_mm: the cell's scan position, and
        index_mm: its index position.
        path: where the PNG is written; next to the survey's picture by default.

    Raises:
        SurveyError: no A-scans were kept, the cell has no reading or is outside the survey.
    """
    group = open_arrays(folder)
    record = read_verified_record(folder).record
    units = record.display
    row = nearest(group, "index", index_mm, folder, units)
    column = nearest(group, "scan", scan_mm, folder, units)
    if "waveform" not in group:
        message = "holds no A-scans: set waveforms = true in [store] before a scan that sends them"
        raise SurveyError(folder.path, message)
    state = CellState(int(np.asarray(group["state"][row, column])))  # type: ignore[index]
    if not int(np.asarray(group["hits"][row, column])):  # type: ignore[index]
        message = (
            f"the cell at scan {units.stated_number(scan_mm)}, index {units.stated_text(index_mm)} "
            f"is {state_name(state)}: no A-scan"
        )
        raise SurveyError(folder.path, message)
    figure, problems = ascan_figure(folder, group, (row, column), (12, 5.5))
    wall = float(np.asarray(group["thickness"][row, column]))  # type: ignore[index]
    at = (float(np.asarray(group["scan"])[column]), float(np.asarray(group["index"])[row]))
    title = (
        f"{record.part or record.station}: scan {units.place_text(at[0])}, index "
        f"{units.place_text(at[1])}: {units.thickness_text(wall)}, {state_name(state)}"
    )
    figure.axes[0].set_title("\n".join((title, *problems)), fontsize=10)
    figure.text(0.5, -0.03, MEASURED_ONLY, ha="center", fontsize=9)
    return save_drawing(figure, folder, f"cell-{row}-{column}.png", path)


def ascan_figure(
    folder: SurveyFolder, group: zarr.Group, cell: tuple[int, int], inches: tuple[float, float]
) -> tuple[Figure, list[str]]:
    """Return the drawing of the A-scan that a cell kept, and what is wrong with it, in words.

    Args:
        folder: the survey.
        group: its arrays, with A-scans.
        cell: row and column of a cell with a reading.
        inches: width and height of the drawing.

    Raises:
        SurveyError: no run has gates, or what is read is not what was written.
    """
    percent = waveform_percent(group, np.asarray(group["waveform"][cell]))  # type: ignore[index]
    flight = float(np.asarray(group["time_of_flight"][cell]))  # type: ignore[index]
    probe = int(np.asarray(group["probe"][cell])) if "probe" in group else 0  # type: ignore[index]
    station, view = _view(folder, percent, np.asarray(group["sample_time"]), flight, probe)
    echo = station.echo
    figure = Figure(figsize=inches, layout="constrained")
    FigureCanvasAgg(figure)
    hull = None
    if echo is None or not echo.rectified:
        band = None if echo is None else echo.band
        hull = envelope(percent[None], interval_us=view.interval_us, band=band)[0]
    plot_ascan(figure.subplots(), view, percent, hull)
    problems = [view.problem] if view.problem else []
    if view.time_of_flight is None or abs(view.time_of_flight - flight) > _SAME_US:
        problems.append(
            f"the cell has {flight:.4f} µs: of other gates, or of another reading "
            "by the survey's rule"
        )
    return figure, problems


def _view(
    folder: SurveyFolder,
    percent: NDArray[np.float32],
    times: NDArray[np.float64],
    flight: float,
    probe: int,
) -> tuple[Station, AscanView]:
    """Return an A-scan of a probe with the gates that its time of flight was measured with, and their station.

    Gates may differ from run to run: those of the newest run that give this time of flight.

    Raises:
        SurveyError: no run has gates.
    """
    stations = [station_in_journal(mark.detail, folder.journal) for mark in folder.openings()]
    found: list[tuple[Station, AscanView]] = []
    for whole in reversed(stations):
        station = station_of_probe(whole, probe) if probe < len(whole.probes) else whole
        if station.echo is None:
            continue
        law = law_of(station)
        view = view_ascan(
            percent,
            interval_us=float(times[1] - times[0]),
            start_us=float(times[0]),
            settings=station.echo,
            zero_offset_us=0.0 if law is None else law.zero_offset,
        )
        found.append((station, view))
        if view.time_of_flight is not None and abs(view.time_of_flight - flight) <= _SAME_US:
            return station, view
    if not found:
        raise SurveyError(folder.path, "has no gates in any of its station files")
    return found[0]
