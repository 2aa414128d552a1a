"""Sections on what was planned, and what of it was seen: datum, coverage, gaps, excluded zones."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from swathe.document.charts import plan_sketch, spot_drawing
from swathe.document.maps import state_map
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
from swathe.pipeline import GapEnd
from swathe.pipeline.progress.fields import count_text, extent_text
from swathe.pipeline.progress.snapshots import ExcludedZoneSnapshot
from swathe.report.gap_table import gaps_table
from swathe.report.missing import missing_lines, turns
from swathe.report.plan_pieces import zone_letters
from swathe.report.spots import spots_table
from swathe.report.summary import reference_lines
from swathe.station import position_text
from swathe.store import SurveyRecord

__all__ = ["coverage_section", "plan_section"]

# Gaps that are listed: those with the most cells. The record has all of them.
_MOST_GAPS = 80
_MOST_LINES = 200


def plan_section(of: ReportMaterial) -> ReportSection:
    """Return the plan and where its positions are counted from."""
    record, plan = of.record, of.record.plan
    blocks: list[ReportBlock] = []
    if plan is None:
        blocks.append(Paragraph("The record of this survey is an older one: it holds no plan."))
    elif record.spots:
        blocks.append(
            Paragraph(f"{count_text(len(record.spots), 'named spot')}, without an encoder.")
        )
    else:
        blocks.append(plan_sketch(record, plan))
        marks = [
            f"M{number}: {mark.name}, {position_text(mark.scan, mark.index, record.display)}"
            for number, mark in enumerate(plan.marks, 1)
        ]
        lines = marks + [line for line in reference_lines(record) if not line.startswith("mark:")]
        if lines:
            blocks.append(TextLines(tuple(lines[:_MOST_LINES])))
        if not plan.marks:
            note = "The station file names no mark on the part: describe the datum by hand here:"
            blocks.append(Paragraph(note, "note"))
            blocks.append(FactList((("Datum on the part", ""),)))
    return ReportSection("Plan and datum", tuple(blocks))


def coverage_section(of: ReportMaterial) -> ReportSection:
    """Return the map of states, the gaps with their causes, and the excluded zones."""
    record = of.record
    if record.spots:
        return ReportSection("Spots", (spot_drawing(record), TextLines(tuple(spots_table(record)))))
    blocks: list[ReportBlock] = []
    if of.cells is not None:
        caption = "States of the cells. Frames with numbers: open gaps; letters: excluded zones."
        blocks.append(state_map(of.cells, record, caption=caption))
    text = of.text
    if text is not None and of.found is not None:
        blocks.append(Paragraph(f"Figures rest on {text.seen(of.found.survey)}."))
    if lines := missing_lines(record):
        blocks.append(TextLines(tuple(lines)))
    blocks += list(_gaps(record))
    if record.plan is not None and record.plan.excluded:
        blocks.append(_zones(record, record.plan.excluded))
    else:
        blocks.append(Paragraph("No zone is excluded."))
    return ReportSection("Coverage, gaps and excluded zones", tuple(blocks))


def _gaps(record: SurveyRecord) -> Iterator[ReportBlock]:
    for status, what in (("open", "Open gaps"), ("closed", "Gaps that ended")):
        all_of_them = [gap for gap in record.gaps if gap.status == status]
        gaps = [gap for gap in all_of_them if gap.end is not GapEnd.MERGED]
        if not gaps:
            yield Paragraph(f"No gap is {status}." if status == "open" else "No gap has ended.")
            continue
        largest = sorted(gaps, key=lambda gap: -gap.cells)[:_MOST_GAPS]
        shown = tuple(sorted(largest, key=lambda gap: gap.number))
        part = record.model_copy(update={"gaps": shown, "zones": ()})
        caption = f"{what}, {len(gaps):,}; times are UTC"
        if len(shown) < len(gaps):
            caption += f"; the {len(shown)} with the most cells, the record has all"
        if merged := len(all_of_them) - len(gaps):
            caption += f"; {merged:,} that became part of another are not listed"
        yield data_table(gaps_table(part, closed=status == "closed"), caption)


def _zones(record: SurveyRecord, zones: Sequence[ExcludedZoneSnapshot]) -> DataTable:
    units = record.display
    scan_turn, index_turn = turns(record)
    rows = []
    for letter, zone in zip(zone_letters(), zones, strict=False):
        by = "the plan" if zone.time is None else f"{zone.by}, {zone.time:%Y-%m-%d %H:%M} UTC"
        rows.append(
            (
                letter,
                zone.name,
                "all" if zone.scan is None else extent_text(zone.scan, scan_turn, units),
                "all" if zone.index is None else extent_text(zone.index, index_turn, units),
                by,
                zone.because,
            )
        )
    name = units.length_name
    return DataTable(
        "Excluded zones: not required, not in any figure, and nothing is known of them",
        ("on map", "zone", f"scan {name}", f"index {name}", "by", "reason"),
        tuple(rows),
        (True, True, False, False, True, True),
    )
