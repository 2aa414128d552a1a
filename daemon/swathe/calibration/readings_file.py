"""Readings on a step block from a CSV file, one row for each reading.

::

    step (mm),time of flight (us)
    5.0,1.939
    5.0,1.941
    10.0,3.628

The header gives the units; they may be any of length and of time. A column ``round`` numbers the
couplings of each step from 1: readings of one step and round are those of one coupling, between which
the probe was lifted. Without it the readings of a step are those of one. The columns may be in any
order and other columns are passed over. Fields are parted by a comma, a semicolon or a tab.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from swathe import units
from swathe.calibration.couplings import StepCoupling
from swathe.calibration.step_reading import StepReading
from swathe.errors import CalibrationError

__all__ = ["read_readings"]

_STEP, _TIME, _ROUND = "step", "time of flight", "round"
_EXAMPLE = "'step (mm),time of flight (us)'"
_HEADING = re.compile(r"\s*(?P<name>[^()]*?)\s*\(\s*(?P<unit>[^()]+?)\s*\)\s*")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_WITH_UNIT = re.compile(rf"{_NUMBER.pattern}\s*[A-Za-zµμ\"].*")


@dataclass(frozen=True, slots=True)
class _Column:
    """A column that is read: its place, its heading and what a number in it is multiplied by."""

    at: int
    heading: str
    factor: float


def read_readings(path: Path, *, u_thickness: float = 0.0) -> list[StepReading]:
    """Return mean, standard deviation and count of the readings on each step, thinnest first.

    Args:
        path: a CSV file as the module describes.
        u_thickness: standard uncertainty of the block's thicknesses, mm; applied to every step.

    Raises:
        CalibrationError: the file cannot be read; the text names line, column, what was found and
            the remedy.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "is no UTF-8 text"
        raise CalibrationError(f"cannot be read: {reason}", path=path) from error
    times: dict[float, dict[int, list[float]]] = {}
    for step, number, time in _rows(path, text):
        times.setdefault(step, {}).setdefault(number, []).append(time)
    if not times:
        raise CalibrationError("holds no reading below its header: add a row for each", path=path)
    return [
        StepReading.of_couplings(
            step,
            [_coupling(number, found) for number, found in sorted(rounds.items())],
            u_thickness=u_thickness,
        )
        for step, rounds in sorted(times.items())
    ]


def _coupling(number: int, times: list[float]) -> StepCoupling:
    return StepCoupling(
        time_of_flight=float(np.mean(times)),
        sd=float(np.std(times, ddof=1)) if len(times) > 1 else 0.0,
        readings=len(times),
        round=number,
    )


def _rows(path: Path, text: str) -> Iterator[tuple[float, int, float]]:
    """Yield thickness in mm, round and time in µs of each row."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = next((mark for mark in (";", "\t") if mark in first), ",")
    rows = csv.reader(text.splitlines(), delimiter=delimiter)
    columns: tuple[_Column, _Column, _Column | None] | None = None
    width = 0
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            place = f"line {rows.line_num}"
            if columns is None:
                columns, width = _columns(path, place, row), len(row)
                continue
            if len(row) != width:
                message = f"{place}: must have {width} fields, as the header has (got {len(row)})"
                raise CalibrationError(f"{message}{_comma_hint(row, delimiter)}", path=path)
            step, time, rounds = columns
            yield (
                _number(path, place, step, row[step.at]),
                1 if rounds is None else _round(path, place, rounds, row[rounds.at]),
                _number(path, place, time, row[time.at]),
            )
    except csv.Error as error:
        raise CalibrationError(f"line {rows.line_num}: is no CSV: {error}", path=path) from error
    if columns is None:
        raise CalibrationError(f"is empty: begin it with the header {_EXAMPLE}", path=path)


def _columns(path: Path, place: str, row: list[str]) -> tuple[_Column, _Column, _Column | None]:
    found: dict[str, _Column] = {}
    conversions: dict[str, Callable[[object], float]] = {
        _STEP: units.length,
        _TIME: units.time_of_flight,
    }
    for at, heading in enumerate(row):
        match = _HEADING.fullmatch(heading)
        name = " ".join((match["name"] if match else heading).lower().split())
        if name not in conversions and name != _ROUND:
            continue
        where = f"{place}, column {heading.strip()!r}"
        if match is None and name != _ROUND:
            message = f"{where}: must name its unit, as in {_EXAMPLE}"
            raise CalibrationError(message, path=path)
        if name in found:
            message = f"{where}: is there twice, after {found[name].heading!r}: keep one"
            raise CalibrationError(message, path=path)
        if name == _ROUND or match is None:
            found[name] = _Column(at, heading.strip(), 1.0)
            continue
        try:
            factor = conversions[name](f"1 {match['unit']}")
        except ValueError as error:
            message = f"{where}: its unit {error} (got {match['unit']!r})"
            raise CalibrationError(message, path=path) from error
        found[name] = _Column(at, heading.strip(), factor)
    missing = [name for name in conversions if name not in found]
    if missing:
        message = (
            f"{place}: must be the header, with a column {' and a column '.join(missing)}, such as "
            f"{_EXAMPLE} (got {','.join(row)!r})"
        )
        raise CalibrationError(message, path=path)
    return found[_STEP], found[_TIME], found.get(_ROUND)


def _round(path: Path, place: str, column: _Column, cell: str) -> int:
    """Return the number of a coupling."""
    text = cell.strip()
    if text.isdecimal() and int(text) > 0:
        return int(text)
    message = (
        f"{place}, column {column.heading!r}: must be a whole number from 1, the same for all readings "
        f"of one coupling (got {text!r})"
    )
    raise CalibrationError(message, path=path)


def _number(path: Path, place: str, column: _Column, cell: str) -> float:
    """Return a cell in mm or µs."""
    text = cell.strip()
    value = float(text) * column.factor if _NUMBER.fullmatch(text) else math.nan
    if math.isfinite(value) and value > 0:
        # 0.2 in is 5.08 mm, not 5.079999999999999; 1e-12 relative is far below any block.
        return float(f"{value:.12g}")
    remedy = ""
    if _DECIMAL_COMMA.fullmatch(text):
        remedy = ": write the decimals after a point"
    elif _WITH_UNIT.fullmatch(text):
        remedy = ": the unit is in the header, one for the whole column"
    elif not text:
        remedy = ": leave the row out if there was no echo"
    message = f"{place}, column {column.heading!r}: must be a number > 0 (got {text!r}){remedy}"
    raise CalibrationError(message, path=path)


def _comma_hint(row: list[str], delimiter: str) -> str:
    # 5,0,1,939 is a row of two numbers with decimal commas.
    whole = delimiter == "," and all(cell.strip().isdigit() for cell in row)
    return ": write decimals after a point, or part the fields by semicolons" if whole else ""
