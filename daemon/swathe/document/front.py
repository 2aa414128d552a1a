"""The front of a report: its cover, and the summary."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from swathe.document.material import ReportMaterial
from swathe.document.model import FactList, Paragraph, ReportBlock, ReportSection, TextLines
from swathe.pipeline.progress.confirm_snapshot import Where, raw_minimum_text
from swathe.pipeline.progress.fields import count_text, number_text
from swathe.pipeline.progress.snapshots import minimum_text
from swathe.report.beam import beam_lines
from swathe.report.damage import damage_lines
from swathe.report.gap_table import summary_line
from swathe.report.minimum import interval_text, minimum_lines
from swathe.report.probes import doubt_lines
from swathe.report.summary import place_lines

__all__ = ["ACCEPTANCE", "cover_facts", "summary_section"]

ACCEPTANCE = (
    "Acceptance is for the responsible engineer under the local code. This report states what was "
    "measured, what was not seen, and how well either is known; it is no statement of fitness for "
    "service."
)


def cover_facts(of: ReportMaterial) -> FactList:
    """Return the entries of the cover; what nobody gave stays as a line to fill in by hand."""
    record, entries = of.record, of.entries
    operators = ", ".join(record.operators or (record.operator,) * bool(record.operator))
    facts = [
        ("Report number", entries.number),
        ("Client", entries.client),
        ("Site", entries.site),
        ("Part", record.part),
        ("Drawing or item", entries.drawing),
        ("Order", entries.order),
        ("Procedure", entries.procedure),
        ("Surface", entries.surface),
        ("Date of examination", _days(of.begun, of.ended)),
        ("Examiner", entries.examiner or operators),
        ("Qualification", entries.qualification),
        ("Reviewer", entries.reviewer),
        ("Witness", entries.witness),
        ("Survey", f"{record.survey}, station {record.station}{_area(record.area)}"),
        (
            "Report made",
            f"{of.wishes.made:%Y-%m-%d %H:%M} UTC, by Swathe {of.version} from the survey's files",
        ),
    ]
    if entries.remarks:
        facts.append(("Remarks", entries.remarks))
    return FactList(tuple(facts))


def _area(area: str) -> str:
    return f", area {area}" if area else ""


def _days(begun: datetime | None, ended: datetime | None) -> str:
    if begun is None:
        return ""
    if ended is None or f"{begun:%Y-%m-%d}" == f"{ended:%Y-%m-%d}":
        return f"{begun:%Y-%m-%d} (UTC)"
    return f"{begun:%Y-%m-%d} to {ended:%Y-%m-%d} (UTC)"


def summary_section(of: ReportMaterial) -> ReportSection:
    """Return what was measured, how much of it, the minimum, and what was not seen."""
    blocks: list[ReportBlock] = [FactList(tuple(_facts(of)))]
    blocks.append(Paragraph(ACCEPTANCE, "caution"))
    lines = [summary_line(of.record), *damage_lines(of.record), *beam_lines(of.record)]
    lines += doubt_lines(of.record)
    lines += minimum_lines(of.record) + place_lines(of.record)
    text = of.text
    if text is not None and of.found is not None:
        lines += [apart] if (apart := text.minimum_apart_text(of.found.survey)) else []
    blocks += [Paragraph("As recorded, with uncertainties:"), TextLines(tuple(lines))]
    return ReportSection("Summary", tuple(blocks))


def _facts(of: ReportMaterial) -> Iterator[tuple[str, str]]:
    record, progress, units = of.record, of.record.progress, of.record.display
    plan = record.plan
    what = "spots" if record.spots else "cells"
    if plan is not None and not record.spots:
        scan = f"scan {units.stated_number(plan.scan.low)} to {units.stated_text(plan.scan.high)}"
        index = (
            f", index {units.stated_number(plan.index.low)} to {units.stated_text(plan.index.high)}"
        )
        cell = f"cells of {units.stated_text(plan.scan_resolution)}"
        if not plan.profile:
            cell += f" by {units.stated_text(plan.index_resolution)}"
        yield "Scanned", f"{scan}{'' if plan.profile else index}; {cell}"
    if of.begun is not None:
        runs = count_text(record.runs, "run")
        yield "Time", f"{of.begun:%Y-%m-%d %H:%M}{_until(of.begun, of.ended)} UTC, in {runs}"
    verdict = "reached" if record.target_reached else "NOT reached"
    share = f"{number_text(progress, 'percent')} % of {progress.required:,} required {what}"
    yield "Coverage", f"{share}; target {record.target_coverage:g} % {verdict}"
    yield "Minimum as read", _minimum(of)
    if interval := interval_text(record.minimum_interval, units):
        yield "True minimum", interval
    else:
        reason = "" if record.minimum_interval is None else record.minimum_interval.not_stated
        yield "True minimum", f"no interval stated{': ' * bool(reason)}{reason}"
    where = Where() if plan is None else plan.where
    if raw := raw_minimum_text(progress, units, where):
        yield "Not confirmed", raw
    yield "Seen, not seen", _not_seen(of)
    zones = () if plan is None else plan.excluded
    if zones:
        names = ", ".join(zone.name for zone in zones)
        yield "Excluded", f"{count_text(len(zones), 'zone')}: {names}; nothing is known of them"
    failed = sum(not check.passed for check in record.checks)
    checks = count_text(len(record.checks), "calibration check")
    yield (
        "Checks",
        f"{checks}, {failed:,} failed" if record.checks else "no calibration check was made",
    )


def _until(begun: datetime, ended: datetime | None) -> str:
    if ended is None:
        return ""
    same_day = f"{begun:%Y-%m-%d}" == f"{ended:%Y-%m-%d}"
    return f" to {ended:%H:%M}" if same_day else f" to {ended:%Y-%m-%d %H:%M}"


def _minimum(of: ReportMaterial) -> str:
    record, progress, units = of.record, of.record.progress, of.record.display
    if progress.minimum is None:
        return "no reading that counts"
    if record.spots and progress.minimum_scan is not None:
        name = record.spots[round(progress.minimum_scan) - 1].name
        return f"{minimum_text(progress, units)} at {name}"
    where = Where() if record.plan is None else record.plan.where
    at = where.text(progress.minimum_scan, progress.minimum_index, units)
    return f"{minimum_text(progress, units)} at {at}"


def _not_seen(of: ReportMaterial) -> str:
    """Return what is not in the figures, in words: cells that count, and why the others do not."""
    record, text = of.record, of.text
    if text is not None and of.found is not None:
        return f"figures rest on {text.seen(of.found.survey)}"
    missing = record.progress.required - record.progress.measured
    what = "required spots" if record.spots else "required cells"
    return f"{missing:,} of {record.progress.required:,} {what}"
