"""Arrays through placing, grid and coverage, without files and ports."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline import Grid
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.crossed import cross_cells
from swathe.pipeline.placing.placer import Placer
from swathe.pipeline.placing.track import EncodedTrack
from swathe.station import Axis, CellRule
from swathe.store import dataset_of
from swathe.units import duration_ns
from swathe_drivers.records import READING

if TYPE_CHECKING:
    import xarray

__all__ = ["grid_readings"]

# No reading is on its way any more once all are in.
_LATENESS_NS = 1


def grid_readings(
    *,
    scan: Axis,
    index: Axis | None = None,
    positions: Any,  # noqa: ANN401  mapping, structured array or data frame
    readings: Any,  # noqa: ANN401  likewise
    cell_rule: Literal["minimum", "mean", "first", "last", "strongest"] = "minimum",
    bracket: str | int = "250 ms",
) -> xarray.Dataset:
    """Return readings placed between encoder samples and binned into cells.

    Each reading is placed by linear interpolation between the two position samples around its
    time. The cells that the probe crossed without a reading are ``skipped`` or, where the
    readings paused for more than four of their usual intervals, ``no_signal``.

    Args:
        scan: the scan axis.
        index: the index axis; None for a line profile.
        positions: columns ``time``, ``scan`` and, with an index axis, ``index``, shape (n,) each:
            encoder samples in order of time, positions in mm. On a wrapped axis positions go on
            through the seam rather than back to zero.
        readings: columns ``time`` and ``thickness`` in mm, shape (m,) each, in any order;
            optional columns are ``time_of_flight`` in µs, ``amplitude`` in percent of full screen
            height and ``valid``. A thickness that is NaN or at most 0 is no echo.
        cell_rule: which reading represents a cell.
        bracket: the widest interval between two position samples that places a reading, as a
            duration or whole ns.

    Times are ns as integers, or ``datetime64``; both tables share one clock. A table is anything
    with columns by name: a dict of arrays, a structured array, a data frame.

    Returns:
        The layers of a survey over (index, scan) with coordinates in mm. Attributes ``required``,
        ``measured`` and ``unplaced`` count cells and readings, ``outside`` the readings that fell
        outside the grid.

    Raises:
        ValueError: a column is missing, has another length or another type, or position times
            fall; the message names the column and the row.

    Example:
        A probe moves at 10 mm/s along a wall of 12 mm with a pit at 30 mm; the echo is lost from
        60 to 70 mm.

        >>> import numpy as np
        >>> import swathe
        >>> axis = swathe.Axis.over(name="scan", start=0, length=100, resolution=1)
        >>> positions = {"time": np.arange(101) * 100_000_000, "scan": np.arange(101.0)}
        >>> time = np.arange(0, 10_000_000_000, 20_000_000)
        >>> place = time / 1e8  # mm
        >>> wall = np.where(abs(place - 30) < 2, 9.5, 12.0)
        >>> wall[(place >= 60) & (place < 70)] = np.nan
        >>> arrays = swathe.grid_readings(
        ...     scan=axis, positions=positions, readings={"time": time, "thickness": wall}
        ... )
        >>> float(arrays.thickness.min()), arrays.measured, arrays.required
        (9.5, 92, 101)
        >>> lost = arrays.scan[arrays.state.values[0] == swathe.CellState.NO_SIGNAL]
        >>> float(lost.min()), float(lost.max())
        (61.0, 69.0)
    """
    line = Axis(name="index", start=0.0, resolution=1.0, cells=1)
    grid = Grid(scan=scan, index=index or line, rule=CellRule(cell_rule))
    width = bracket if isinstance(bracket, int) else duration_ns(bracket)
    times = _times(positions, "positions")
    if (falls := np.flatnonzero(np.diff(times) < 0)).size:
        message = f"'positions.time' must not fall (it does at row {int(falls[0]) + 1})"
        raise ValueError(message)
    tracks = [
        _track(times, _floats(positions, "positions", "scan", times.size), width),
        _track(
            times,
            np.zeros(times.size)
            if index is None
            else _floats(positions, "positions", "index", times.size),
            width,
        ),
    ]
    placer = Placer(scan=tracks[0], index=tracks[1], bracket_ns=width, lateness_ns=_LATENESS_NS)
    placer.add_readings(_readings(readings))
    coverage = Coverage(grid, stepped=False)
    if times.size:
        # All readings are in, so that the whole path is settled at once.
        end = int(times[-1]) + width + 2 * _LATENESS_NS
        path, placed = placer.take_path(int(times[-1])), placer.place(end)
        cells = grid.cells_at(placed.scan, placed.index)
        update = grid.begin_update(cells)
        grid.add(placed.readings, cells, 0)
        coverage.cells_changed(update)
        if path is not None:
            crossed = cross_cells(path, grid, -1)
            passed = crossed.entered & crossed.known
            grid.pass_over(crossed.cells[passed], crossed.silent[passed], crossed.uncertain[passed])
            coverage.add_path(path, crossed)
        coverage.close_out(end, int(times[-1]))
    return dataset_of(
        grid,
        {
            "Conventions": "CF-1.11",
            "cell_rule": str(grid.rule),
            "required": coverage.required,
            "measured": coverage.measured,
            "unplaced": placer.unplaced + placer.pending,
            "outside": grid.outside,
            "comment": "Measured values only; no statement of fitness for service.",
        },
    )


def _track(times: NDArray[np.int64], positions: NDArray[np.float64], width: int) -> EncodedTrack:
    track = EncodedTrack(bracket_ns=width)
    track.append(times, positions)
    return track


def _readings(table: Any) -> NDArray[Any]:  # noqa: ANN401  anything with columns by name
    """Return the readings in order of time, dtype `READING`."""
    times = _times(table, "readings")
    filled = np.zeros(times.size, READING)
    filled["time"] = times
    filled["thickness"] = _floats(table, "readings", "thickness", times.size)
    filled["time_of_flight"] = _optional(table, "time_of_flight", times.size)
    filled["amplitude"] = _optional(table, "amplitude", times.size)
    with np.errstate(invalid="ignore"):
        filled["valid"] = filled["thickness"] > 0
    if "valid" in _names(table):
        filled["valid"] &= np.asarray(table["valid"], bool)
    filled["offset"] = np.arange(times.size)
    return filled[np.argsort(times, kind="stable")]


def _optional(table: Any, name: str, size: int) -> NDArray[np.float64]:  # noqa: ANN401
    if name not in _names(table):
        return np.full(size, np.nan)
    return _floats(table, "readings", name, size)


def _times(table: Any, where: str) -> NDArray[np.int64]:  # noqa: ANN401
    times = _column(table, where, "time")
    if times.dtype.kind == "M":
        times = times.astype("datetime64[ns]").astype(np.int64)
    if times.dtype.kind not in "iu":
        message = f"'{where}.time' must be whole ns or datetime64 (got {times.dtype})"
        raise ValueError(message)
    return times.astype(np.int64)


def _floats(table: Any, where: str, name: str, size: int) -> NDArray[np.float64]:  # noqa: ANN401
    values = _column(table, where, name)
    if values.dtype.kind not in "iuf":
        message = f"'{where}.{name}' must be numbers (got {values.dtype})"
        raise ValueError(message)
    if values.size != size:
        message = f"'{where}.{name}' must have {size} rows as 'time' has (got {values.size})"
        raise ValueError(message)
    if where == "positions" and (bad := np.flatnonzero(~np.isfinite(values))).size:
        message = f"'{where}.{name}' must be finite (got {values[bad[0]]} at row {int(bad[0])})"
        raise ValueError(message)
    return values.astype(np.float64)


def _column(table: Any, where: str, name: str) -> NDArray[Any]:  # noqa: ANN401
    names = _names(table)
    if name not in names:
        message = f"'{where}' must have a column '{name}' (has {', '.join(names) or 'none'})"
        raise ValueError(message)
    values = np.asarray(table[name])
    if values.ndim != 1:
        message = f"'{where}.{name}' must have one dimension (got shape {values.shape})"
        raise ValueError(message)
    return values


def _names(table: Any) -> list[str]:  # noqa: ANN401
    dtype = getattr(table, "dtype", None)
    if isinstance(dtype, np.dtype) and dtype.names is not None:
        return list(dtype.names)
    return [str(name) for name in table]
