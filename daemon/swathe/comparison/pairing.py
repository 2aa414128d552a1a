"""One survey of a part compared with a later one: their maps, errors, registration and notes."""

from __future__ import annotations

from typing import Literal

from swathe.comparison.cell_map import MOST_MAP_CELLS, CellMap, map_of
from swathe.comparison.dated import DatedSurvey, years_between
from swathe.comparison.pairs import PairComparison, compare_maps
from swathe.comparison.pattern import register_by_pattern
from swathe.comparison.registration import Registration
from swathe.comparison.survey_errors import SurveyErrors, errors_of
from swathe.errors import SwatheError

__all__ = ["Align", "compare_pair", "maps_of_pair"]

Align = Literal["datum", "pattern"]


def compare_pair(
    one: DatedSurvey,
    latest: DatedSurvey,
    stated: Registration,
    *,
    align: Align = "datum",
    search: float = 25.0,
    search_degrees: float = 3.0,
    level: float = 0.05,
    cell: float | None = None,
    years: float | None = None,
    most_cells: int = MOST_MAP_CELLS,
    widths: tuple[float, float] = (0.0, 0.0),
    look: bool = True,
) -> PairComparison:
    """Return a survey compared with the latest; see `compare_dated`.

    Args:
        one: the earlier survey.
        latest: the later one.
        stated: the registration by datum.
        align: as of `compare_dated`.
        search: likewise.
        search_degrees: likewise.
        level: likewise.
        cell: likewise.
        years: likewise.
        most_cells: likewise.
        widths: of cells along (scan, index) at least, mm.
        look: whether the pattern of the wall is looked at where it is not the registration.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the two cannot be compared, or the pattern does not carry it.
    """
    time, notes = (years, ()) if years is not None else years_between(one, latest)
    earlier, later = maps_of_pair(one, latest, cell, most_cells, widths=widths)
    pattern, registration = None, stated
    if look or align == "pattern":
        pattern = register_by_pattern(
            earlier, later, stated, search=search, search_degrees=search_degrees
        )
    if align == "pattern" and pattern is not None:
        if pattern.registration is None:
            message = (
                f"{one.name}: the wall pattern does not carry a registration: {pattern.refused}; "
                "compare by the datum"
            )
            raise SwatheError(message)
        registration = pattern.registration
    errors = _errors(one, earlier), _errors(latest, later)
    return compare_maps(
        earlier,
        later,
        time,
        registration,
        errors,
        level=level,
        names=(one.name, latest.name),
        pattern=pattern,
        notes=(*notes, *_error_notes(one, latest, errors)),
    )


def maps_of_pair(
    earlier: DatedSurvey,
    later: DatedSurvey,
    cell: float | None,
    most_cells: int,
    *,
    widths: tuple[float, float] = (0.0, 0.0),
) -> tuple[CellMap, CellMap]:
    """Return the maps of two surveys with cells of one size, as near as whole cells allow.

    Args:
        earlier: survey.
        later: survey.
        cell: side of a cell, at least; mm.
        most_cells: of a map.
        widths: along (scan, index), at least; mm.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: a map would have too many cells.
    """
    scan, index = (
        max(cell or 0.0, width, *(axis.resolution for axis in axes))
        for width, *axes in zip(
            widths, *((one.source.scan, one.source.index) for one in (earlier, later)), strict=True
        )
    )
    first, second = (
        map_of(one.source, width=(scan, index), most_cells=most_cells) for one in (earlier, later)
    )
    return first, second


def _errors(survey: DatedSurvey, one: CellMap) -> SurveyErrors:
    """Return the errors of a survey over the walls that it has."""
    if survey.errors is not None:
        return survey.errors
    if survey.record is None:
        return SurveyErrors(
            missing=f"{survey.name} has no record: what all its readings share is not known"
        )
    known = one.mean[one.counts]
    low, high = (float(known.min()), float(known.max())) if known.size else (1.0, 1.0)
    found = errors_of(survey.record, survey.station, max(low, 1e-3), max(high, 1e-3))
    if not found.missing:
        return found
    return SurveyErrors(place=found.place, missing=f"{survey.name}: {found.missing}")


def _error_notes(
    one: DatedSurvey, latest: DatedSurvey, errors: tuple[SurveyErrors, SurveyErrors]
) -> tuple[str, ...]:
    """Return what is assumed of the errors."""
    notes = [
        f"{survey.name}: {note}"
        for survey, error in zip((one, latest), errors, strict=True)
        for note in error.notes
    ]
    marks = [
        None if survey.record is None or survey.record.calibration is None
        else survey.record.calibration.record
        for survey in (one, latest)
    ]  # fmt: skip
    if marks[0] is not None and marks[0] == marks[1]:
        notes.append(
            "both surveys have one calibration record; its error is counted in each, as of two, "
            "since what a probe drifts by between them is not known"
        )
    parts = {survey.record.part for survey in (one, latest) if survey.record is not None}
    if len(parts) > 1:
        notes.append(f"the surveys name different parts: {', '.join(sorted(map(repr, parts)))}")
    return tuple(notes)
