"""Sections on the thickness: map, lowest places, statistics, thin areas, profiles, lines, A-scans."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import zarr

from swathe.display_units import DisplayUnits
from swathe.document.charts import ascan_drawing, histogram_drawing, line_drawing, profile_drawing
from swathe.document.maps import thickness_map
from swathe.document.material import ReportMaterial
from swathe.document.model import (
    DataTable,
    FactList,
    Paragraph,
    ReportBlock,
    ReportSection,
    TextLines,
    data_table,
)
from swathe.errors import SurveyError
from swathe.evaluation import Evaluation, LowPlace, Statistics
from swathe.pipeline.progress.confirm_snapshot import Where
from swathe.report.confirm import confirm_report
from swathe.report.evaluation_text import EvaluationText, thickness_number
from swathe.report.section import nearest
from swathe.station import Station, budget_of
from swathe.store import SurveyRecord

__all__ = ["lines_section", "thickness_section", "values_section"]

_MOST_ASCANS = 4
_MOST_LINES = 20


def thickness_section(of: ReportMaterial) -> ReportSection:
    """Return the map of thickness and the lowest places."""
    record, found, text = of.record, of.found, of.text
    if found is None or text is None:
        return ReportSection("Thickness", (Paragraph(_nothing(of), "caution"),))
    blocks: list[ReportBlock] = []
    if of.cells is not None:
        outlined = (
            ""
            if record.plan is None or record.plan.alert_below is None
            else (" Outlined: below the alert level.")
        )
        caption = f"Thickness; dark is thin. Numbers: the lowest places of the table.{outlined}"
        places = {str(number): place for number, place in enumerate(found.lowest, 1)}
        others = {f"S{number}": place for number, place in enumerate(found.lowest_apart, 1)}
        blocks.append(thickness_map(of.cells, record, places | others, caption=caption))
    blocks += list(_low_places(of, found, text))
    if lines := confirm_report(record):
        blocks += [Paragraph("Doubtful readings:"), TextLines(tuple(lines))]
    return ReportSection("Thickness and lowest places", tuple(blocks))


def _nothing(of: ReportMaterial) -> str:
    if of.no_figures:
        return f"There are no figures over cells: {of.no_figures}"
    return "Spots have no area: each one is listed under coverage."


def _low_places(
    of: ReportMaterial, found: Evaluation, text: EvaluationText
) -> Iterator[ReportBlock]:
    apart = text.units.place_text(found.separation)
    if not found.lowest:
        yield Paragraph("No cell counts: there is no lowest place.")
    for places, what, how in (
        (found.lowest, "Lowest places", "confirmed, and of cells that count"),
        (found.lowest_apart, "Lowest places of suspect or unconfirmed cells", "in no figure"),
    ):
        if places:
            caption = f"{what} ({how}), at least {apart} apart"
            yield _place_table(of, text, places, caption, counts=places is found.lowest)
    if found.lowest:
        yield Paragraph(_place_words(of), "note")
    if found.may_be_more:
        yield Paragraph("There may be more of them: only the lowest cells were compared.", "note")


def _place_table(
    of: ReportMaterial,
    text: EvaluationText,
    places: Sequence[LowPlace],
    caption: str,
    *,
    counts: bool,
) -> DataTable:
    """Return low places; of cells that do not count no interval is stated."""
    record, units = of.record, of.record.display
    name, profile = units.length_name, _is_profile(of)
    off = "–" if record.place is None else units.number(record.place.expanded_mm, 3, 4)
    expanded = [_expanded(of, place.thickness) if counts else None for place in places]
    stated = any(one is not None for one in expanded)
    rows = []
    for number, (place, around) in enumerate(zip(places, expanded, strict=True), 1):
        scan, index = text.positions(place)
        interval = "not stated"
        if around is not None:
            low, high = place.thickness - around, place.thickness + around
            interval = f"{units.number(low, 3)} to {units.number(high, 3)}"
        rows.append(
            (
                f"{number}" if counts else f"S{number}",
                thickness_number(place.thickness, units),
                *((interval,) if stated else ()),
                scan,
                off,
                *(() if profile else (index,)),
            )
        )
    heads: tuple[str, ...] = ("no.", f"thickness {name}")
    heads += (f"interval of a reading {name}",) if stated else ()
    heads += (f"scan {name}", f"± along scan {name}")
    heads += () if profile else (f"index {name}",)
    return DataTable(caption, heads, tuple(rows), tuple(not number for number in range(len(heads))))


def _expanded(of: ReportMaterial, thickness: float) -> float | None:
    """Return the expanded uncertainty of a single reading, mm; None where the survey has none.

    The budget is that of the journal's station file; where the record's own, which a rebuild with
    another calibration writes, is not the same, nothing is stated.
    """
    recorded = of.record.uncertainty
    if recorded is None or recorded.expanded_mm is None or of.station is None:
        return None
    if not _is_budget_of(of.station, of.record):
        return None
    budget = budget_of(of.station, thickness)
    return None if budget is None else budget.expanded


def _is_budget_of(station: Station, record: SurveyRecord) -> bool:
    recorded = record.uncertainty
    if recorded is None or recorded.expanded_mm is None:
        return False
    budget = budget_of(station, recorded.thickness_mm)
    return (
        budget is not None
        and budget.expanded is not None
        and abs(budget.expanded - recorded.expanded_mm) <= 1e-4
    )


def _place_words(of: ReportMaterial) -> str:
    """Return what the columns of the low places rest on."""
    uncertainty, place = of.record.uncertainty, of.record.place
    parts = []
    if uncertainty is None or uncertainty.expanded_mm is None or uncertainty.coverage is None:
        parts.append(
            "No interval is stated: it requires a calibration record with readings of the block, "
            "and that what matters is covered."
        )
    elif of.station is None or not _is_budget_of(of.station, of.record):
        parts.append(
            "No interval is stated: the survey was computed with another calibration than its "
            "journal has."
        )
    else:
        parts.append(
            f"The interval is that of a single reading ({uncertainty.coverage:.2%}). That each is the "
            "lowest of many readings is not in it: the interval of the summary allows for that."
        )
    if place is None:
        parts.append("How far places are off is not known.")
    else:
        without = f", without {', '.join(place.not_stated)}" if place.not_stated else ""
        parts.append(
            f"Places along the scan axis: {place.coverage:.0%} of readings of the moving probe are "
            f"within that distance{without}."
        )
        if not _is_profile(of):
            parts.append("Across, a place is that of its cell; how far it is off is not stated.")
    return " ".join(parts)


def values_section(of: ReportMaterial) -> ReportSection:
    """Return statistics, areas below levels, thin areas and profiles."""
    found, text = of.found, of.text
    if found is None or text is None:
        return ReportSection("Statistics and profiles", (Paragraph(_nothing(of), "caution"),))
    units, figures = text.units, found.survey
    blocks: list[ReportBlock] = [Paragraph(f"Figures rest on {text.seen(figures)}.")]
    if figures.statistics is not None:
        blocks.append(_statistics(figures.statistics, units))
        blocks.append(histogram_drawing(figures.statistics.histogram, units))
    if levels := list(text.levels()):
        words = "A level is what was asked about, or the alert level of the survey; no limit of acceptance."
        blocks += [Paragraph(words, "note"), TextLines(tuple(levels))]
    else:
        blocks.append(Paragraph("No level was asked about, and the survey has no alert level."))
    for thin in found.thin:
        caption = ""
        for part in text.thin_areas(thin):
            if isinstance(part, str):
                caption = part
            else:
                blocks.append(data_table(part, caption[0].upper() + caption[1:]))
    scan, index = found.profiles
    if scan.positions.size > 1 and figures.measured:
        blocks.append(profile_drawing(scan, of.record))
    if index.positions.size > 1 and figures.measured:
        blocks.append(profile_drawing(index, of.record))
    return ReportSection("Statistics, thin areas and profiles", tuple(blocks))


def _statistics(known: Statistics, units: DisplayUnits) -> FactList:
    """Return mean, deviation and percentiles of the cells that count."""
    deviation = "–"
    if known.standard_deviation is not None:
        deviation = units.difference_text(known.standard_deviation)
    shares = ", ".join(
        f"{share:g} %: {thickness_number(value, units)}"
        for share, value in known.percentiles.items()
    )
    low, high = (thickness_number(value, units) for value in (known.minimum, known.maximum))
    return FactList(
        (
            ("Cells that count", f"{known.cells:,}"),
            ("Thickness", f"{low} to {units.with_unit(high)}"),
            ("Mean", units.with_unit(thickness_number(known.mean, units))),
            ("Standard deviation", f"{deviation}, of wall and readings together"),
            ("Percentiles", f"{shares}; in {units.length_words}"),
        )
    )


def lines_section(of: ReportMaterial) -> ReportSection:
    """Return drawings of lines, and the A-scans of the lowest places.

    Raises:
        SurveyError: a line that is asked for is outside the survey.
    """
    record, group, found = of.record, of.group, of.found
    if group is None or found is None:
        return ReportSection("Lines and A-scans", (Paragraph(_nothing(of), "caution"),))
    units = record.display
    blocks: list[ReportBlock] = []
    index = np.asarray(group["index"])
    for row, why in _rows(of, group, found):
        position = units.stated_text(float(index[row]))
        caption = f"Line {row} at index {position}{why}."
        blocks.append(line_drawing(group, record, row, caption))
    if not blocks:
        blocks.append(Paragraph("No cell counts: no line is drawn."))
    if "waveform" not in group:
        blocks.append(
            Paragraph("The survey keeps no A-scans, so that there is no B-scan of echoes.")
        )
        return ReportSection("Lines and A-scans", tuple(blocks))
    for number, place in enumerate(found.lowest[:_MOST_ASCANS], 1):
        cell = (
            nearest(group, "index", place.index, of.folder, units),
            nearest(group, "scan", place.scan, of.folder, units),
        )
        thickness = units.with_unit(thickness_number(place.thickness, units))
        where = Where() if record.plan is None else record.plan.where
        at = where.text(place.scan, place.index, units)
        caption = f"A-scan of lowest place {number}: {thickness} at {at}."
        try:
            blocks.append(ascan_drawing(of.folder, group, cell, caption))
        except SurveyError as error:
            blocks.append(Paragraph(f"{caption} Not drawn: {error}"))
    return ReportSection("Lines and A-scans", tuple(blocks))


def _rows(of: ReportMaterial, group: zarr.Group, found: Evaluation) -> list[tuple[int, str]]:
    """Return the lines to draw, and why each."""
    units = of.record.display
    if of.wishes.lines:
        wanted = of.wishes.lines[:_MOST_LINES]
        rows = [nearest(group, "index", line, of.folder, units) for line in wanted]
        return [(row, "") for row in dict.fromkeys(rows)]
    if not found.lowest:
        return []
    row = nearest(group, "index", found.lowest[0].index, of.folder, units)
    return [(row, "" if _is_profile(of) else ", that of the lowest place")]


def _is_profile(of: ReportMaterial) -> bool:
    return of.record.plan is not None and of.record.plan.profile
