"""The plan of a spot survey: named measurement locations without an encoder.

Spots are listed in the station file, laid out as a grid of rows and columns, or read from a CSV
file. They are the cells of a scan axis that is stepped by command: cell k is spot number k + 1.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field, StringConstraints, ValidationError, model_validator

from swathe.errors import Problem
from swathe.station.table import StationTable
from swathe.units import Duration, Length, length

__all__ = [
    "SpotGridSettings",
    "SpotSettings",
    "SpotsSettings",
    "put_spots_in",
]

MOST_SPOTS = 10_000

SpotName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]
SpotPlace = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200)]

_NAME, _PLACE = "name", "place"
# Columns of a CSV file that hold the nominal thickness, and the unit of their bare numbers.
_NOMINALS = {"nominal": "", "nominal_mm": "mm", "nominal_in": "in"}
_NOT_WITH_SPOTS = {
    "scan": "the spots are the plan",
    "index": "the spots are the plan",
    "exclude": "close a spot that cannot be read, with its reason, when it is due",
    "mark": "spots have names of their own",
    "motion": "spots are read by hand",
}


class SpotSettings(StationTable):
    """A named spot at which the thickness is measured."""

    name: SpotName
    nominal: Annotated[Length, Field(gt=0)] | None = Field(
        None, description="thickness, mm; by default survey.nominal_thickness"
    )
    place: SpotPlace = Field("", description="where it is, for the operator")


class SpotGridSettings(StationTable):
    """Spots in rows and columns, named by both, such as A1; read row by row."""

    rows: tuple[SpotName, ...] = Field(min_length=1, description="names of the rows")
    columns: tuple[SpotName, ...] = Field(min_length=1, description="names of the columns")

    @property
    def spots(self) -> list[SpotSettings]:
        """The spots, row by row."""
        return [
            SpotSettings.model_construct(
                name=f"{row}{column}", nominal=None, place=f"row {row}, column {column}"
            )
            for row in self.rows
            for column in self.columns
        ]


class SpotsSettings(StationTable):
    """The spots of a survey, and how each is read."""

    spot: tuple[SpotSettings, ...] = Field((), description="the spots, in the order of reading")
    grid: SpotGridSettings | None = Field(None, description="instead of a list")
    file: str | None = Field(
        None, min_length=1, description="CSV file instead of a list; relative to this file"
    )
    max_spread: Length = Field(
        gt=0, description="greatest difference among readings that agree, mm"
    )
    readings: int = Field(10, ge=3, le=1000, description="of a coupling, at least")
    steady_for: Duration = Field(
        1_000_000_000, gt=0, le=60_000_000_000, description="that these span, at least, ns"
    )
    couplings: int = Field(
        1, ge=1, le=20, description="of each spot, the probe lifted and coupled again between them"
    )
    lift_required: bool = Field(
        True, description="whether a coupling counts only after the probe was lifted"
    )
    lifted_after: Duration = Field(
        1_000_000_000, gt=0, description="silence of the gauge that shows a lifted probe, ns"
    )
    auto: bool = Field(False, description="whether a steady reading is taken without a key")

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        sources = {"spot": bool(self.spot), "grid": self.grid is not None, "file": bool(self.file)}
        given = [name for name, is_given in sources.items() if is_given]
        if len(given) != 1:
            found = " and ".join(given) or "none"
            message = f"must have exactly one of [[spots.spot]], grid and file (got {found})"
            raise ValueError(message)
        return self


def _read_file(settings: SpotsSettings, folder: Path) -> tuple[str | None, list[Problem]]:
    """Return the text of the CSV file that the table names, and what is wrong; None without one."""
    if settings.file is None:
        return None, []
    try:
        return (folder / settings.file).read_text(encoding="utf-8-sig"), []
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        requirement = f"must name a readable CSV file: {reason}"
        remedy = "check the path; save the sheet as 'CSV UTF-8'"
        return None, [Problem("spots.file", requirement, settings.file, remedy)]


def _spots_of(settings: SpotsSettings, text: str) -> tuple[tuple[SpotSettings, ...], list[Problem]]:
    """Return the spots of the plan in their order, and every problem found.

    Args:
        settings: the table.
        text: of the CSV file that it names.
    """
    problems: list[Problem] = []
    if settings.grid is not None:
        keys = [("spots.grid", spot) for spot in settings.grid.spots]
    elif settings.file is not None:
        keys, problems = _read_csv(text, settings.file)
    else:
        keys = [(f"spots.spot[{k}].name", spot) for k, spot in enumerate(settings.spot)]
    first: dict[str, str] = {}
    for key, spot in keys:
        if spot.name in first:
            remedy = f"the name is that of {first[spot.name]}, too"
            problems.append(Problem(key, "must be a name of its own", spot.name, remedy))
        first.setdefault(spot.name, key)
    if len(keys) > MOST_SPOTS:
        remedy = "divide them among several surveys"
        requirement = f"must be at most {MOST_SPOTS:,} spots"
        problems.append(Problem("spots", requirement, len(keys), remedy))
    return tuple(spot for _, spot in keys), problems


def _read_csv(text: str, file: str) -> tuple[list[tuple[str, SpotSettings]], list[Problem]]:
    """Return the spots of a CSV text, each with the key of its name, and what is wrong."""
    head = text.lstrip("\r\n").partition("\n")[0]
    delimiter = ";" if ";" in head and "," not in head else ","
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    if not rows:
        remedy = "begin it with the row: name,nominal,place"
        return [], [Problem("spots.file", "must have a heading and a row a spot", file, remedy)]
    (line, heading), *rows = rows
    columns = [cell.strip().lower() for cell in heading]
    if problems := list(_check_heading(columns, f"{file}, row {line}")):
        return [], problems
    if not rows:
        remedy = "add a row for each spot below the heading"
        return [], [Problem("spots.file", "must have a row for each spot", file, remedy)]
    spots: list[tuple[str, SpotSettings]] = []
    problems = []
    for line, row in rows:
        where = f"{file}, row {line}"
        if len(row) > len(columns) and any(cell.strip() for cell in row[len(columns) :]):
            remedy = f"quote a cell that holds a '{delimiter}'"
            requirement = f"must have at most {len(columns)} cells"
            problems.append(Problem(where, requirement, len(row), remedy))
            continue
        cells = dict(zip(columns, (cell.strip() for cell in row), strict=False))
        found, wrong = _spot_of(cells, where)
        problems += wrong
        if found is not None:
            spots.append((f"{where}, column name", found))
    return spots, problems


def _check_heading(columns: list[str], where: str) -> Iterable[Problem]:
    known = (_NAME, *_NOMINALS, _PLACE)
    for column in columns:
        if column not in known:
            requirement = f"must be one of the columns {', '.join(known)}"
            yield Problem(f"{where}, column {column}", requirement, column, "rename or remove it")
        elif columns.count(column) > 1:
            yield Problem(f"{where}, column {column}", "must be there once", column, "remove one")
    if _NAME not in columns:
        remedy = "the first row is the heading, such as: name,nominal,place"
        yield Problem(where, "must have a column 'name'", ", ".join(columns), remedy)
    if len(nominals := [name for name in columns if name in _NOMINALS]) > 1:
        yield Problem(where, "must have one column of nominal thicknesses", ", ".join(nominals))


def _spot_of(cells: dict[str, str], where: str) -> tuple[SpotSettings | None, list[Problem]]:
    """Return the spot of a row, and what is wrong with its cells."""
    problems: list[Problem] = []
    values: dict[str, Any] = {_NAME: cells.get(_NAME, ""), _PLACE: cells.get(_PLACE, "")}
    for column, unit in _NOMINALS.items():
        if not (cell := cells.get(column, "")):
            continue
        try:
            thickness = length(f"{cell} {unit}" if unit else cell)
            if thickness > 0:
                values["nominal"] = thickness
                continue
            requirement = "must be > 0"
        except ValueError as error:
            requirement = f"must be a number of {unit}" if unit else str(error)
        remedy = "write it with a point, or leave the cell empty for survey.nominal_thickness"
        problems.append(Problem(f"{where}, column {column}", requirement, cell, remedy))
    try:
        # The nominal thickness is in mm already, which the field would require as a text.
        spot = SpotSettings.model_validate({_NAME: values[_NAME], _PLACE: values[_PLACE]})
    except ValidationError as error:
        for found in error.errors():
            column = str(found["loc"][0])
            most = 40 if column == _NAME else 200
            requirement = f"must have 1 to {most} characters"
            key = f"{where}, column {column}"
            problems.append(Problem(key, requirement, values[column], "name each spot"))
        return None, problems
    return spot.model_copy(update={"nominal": values.get("nominal")}), problems


def put_spots_in(
    tables: dict[str, Any], text: str | None, folder: Path | None
) -> tuple[dict[str, Any], dict[str, Any], list[Problem]]:
    """Put the scan axis of which the spots are the cells into the tables of a station file.

    Args:
        tables: a station file's; left as they are.
        text: of the CSV file of spots, as a journal holds it.
        folder: where that is looked for instead.

    Returns:
        The tables with a scan axis; the fields `spot_file` and `spot_list` of the station; what is
        wrong, but for what the check of the table ``spots`` finds by itself.
    """
    if "spots" not in tables:
        return tables, {}, []
    problems = _check_tables(tables)
    tables = {name: table for name, table in tables.items() if name not in _NOT_WITH_SPOTS}
    spots: tuple[SpotSettings, ...] = ()
    try:
        settings = SpotsSettings.model_validate(tables["spots"])
    except ValidationError:
        return {**tables, "scan": _scan_table(1)}, {}, problems
    if text is None and folder is not None:
        text, wrong = _read_file(settings, folder)
        problems += wrong
    if settings.file is None or text is not None:
        spots, wrong = _spots_of(settings, text or "")
        problems += wrong
    found = {"spot_file": text if settings.file is not None else None, "spot_list": spots}
    return {**tables, "scan": _scan_table(len(spots))}, found, problems


def _scan_table(number: int) -> dict[str, str]:
    """Return the table of the scan axis whose cells are `number` spots; positions are numbers."""
    extent = max(number - 1, 0.5)
    return {"start": "1 mm", "length": f"{extent} mm", "resolution": "1 mm", "mode": "stepped"}


def _check_tables(tables: dict[str, Any]) -> list[Problem]:
    """Return which tables of a station file must not be there with spots."""
    return [
        Problem(name, "must be left out with [spots]", "a table", f"remove it: {reason}")
        for name, reason in _NOT_WITH_SPOTS.items()
        if name in tables
    ]
