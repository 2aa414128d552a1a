"""The section on parts of a survey: zones, squares, and the minimum of the area not scanned."""

from __future__ import annotations

from collections.abc import Iterator

from rich.table import Table

from swathe.display_units import DisplayUnits
from swathe.document.maps import square_map
from swathe.document.material import ReportMaterial
from swathe.document.model import (
    Paragraph,
    ReportBlock,
    ReportSection,
    TextLines,
    data_table,
)
from swathe.evaluation import Evaluation, Zone
from swathe.report.evaluation_text import EvaluationText

__all__ = ["zones_section"]

_GIVEN = "The area not scanned is the one that was stated for this report; the survey has no evidence of it."
_PLAN = "The area not scanned is what the plan requires and was not measured, or does not count."


def zones_section(of: ReportMaterial) -> ReportSection | None:
    """Return the figures of zones and squares, and the extremes; None where none was asked for."""
    found, text = of.found, of.text
    if found is None or text is None:
        return None
    blocks = [*_zones(found, text), *_squares(of, found, text), *_extremes(of, found, text)]
    if not blocks:
        return None
    titles = ["zones"] * bool(found.zones) + ["squares"] * (found.square is not None)
    titles += ["area not scanned"] * (found.extremes is not None)
    title = " and ".join(filter(None, (", ".join(titles[:-1]), titles[-1])))
    return ReportSection(title[0].upper() + title[1:], tuple(blocks))


def _zones(found: Evaluation, text: EvaluationText) -> Iterator[ReportBlock]:
    for part in text.zones():
        if isinstance(part, Table):
            yield Paragraph("Zones were named for this report; a cell is in one if its centre is.")
            yield TextLines(tuple(_borders(one.zone, text.units) for one in found.zones))
            yield data_table(
                part, _caption("Figures of each zone", found, text.units), words=("zone",)
            )


def _borders(zone: Zone, units: DisplayUnits) -> str:
    sides = []
    for name, extent in (("scan", zone.scan), ("index", zone.index)):
        if extent is None:
            sides.append(f"all {name} positions")
        else:
            low, high = extent
            seam = ", over the seam" if high < low else ""
            sides.append(f"{name} {units.stated_number(low)} to {units.stated_text(high)}{seam}")
    return f"{zone.name}: {', '.join(sides)}"


def _squares(of: ReportMaterial, found: Evaluation, text: EvaluationText) -> Iterator[ReportBlock]:
    caption = ""
    for part in text.squares():
        if isinstance(part, Table):
            if of.cells is not None and any(one.figures.measured for one in found.squares):
                yield square_map(found, of.record)
            table = data_table(part, _caption(caption, found, text.units))
            yield table
        elif not caption:
            caption = part.removesuffix(":")
        else:
            note = f"Listed are the {len(table.rows)} with the lowest minima; the map has all."
            yield Paragraph(note if of.cells is not None else note.partition(";")[0] + ".", "note")


def _caption(caption: str, found: Evaluation, units: DisplayUnits) -> str:
    """Return the caption of a table of parts: what its columns count."""
    below = "; below a level: cells that count" if found.survey.levels else ""
    return (
        f"{caption}; places in {units.length_words}; measured: cells that count; not seen: share of the required cells that do not"
        f"{below}"
    )


def _extremes(of: ReportMaterial, found: Evaluation, text: EvaluationText) -> Iterator[ReportBlock]:
    lines = [line[0].upper() + line[1:] for line in text.extremes()]
    if found.extremes is None:
        return
    yield TextLines(tuple(lines))
    yield Paragraph(_PLAN if of.wishes.evaluation.get("not_scanned") is None else _GIVEN, "note")
    if not found.extremes.refused:
        yield Paragraph(
            "That the area not scanned is like the one scanned, in wear and in surface, is an assumption "
            "which no reading of this survey supports.",
            "caution",
        )
