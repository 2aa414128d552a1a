"""The gaps of a survey as a table and as JSON."""

from __future__ import annotations

import json

from rich.table import Table

from swathe.messages import GapMessage
from swathe.pipeline.progress.confirm_snapshot import Where, raw_minimum_text
from swathe.pipeline.progress.fields import count_text, extent_text, number_text
from swathe.pipeline.progress.snapshots import minimum_text
from swathe.report.minimum import interval_text
from swathe.report.missing import turns
from swathe.report.spots import spots_summary
from swathe.store import LastRun, SurveyRecord

__all__ = ["gaps_json", "gaps_table", "minimum_with_interval", "summary_line"]


def summary_line(record: SurveyRecord) -> str:
    """Return coverage, target and open gaps in one line; of spots, what is done."""
    if record.spots:
        return spots_summary(record)
    progress = record.progress
    minimum = ""
    if progress.minimum is not None:
        units, plan = record.display, record.plan
        cells = (None, None) if plan is None else (plan.scan_resolution, plan.index_resolution)
        scan, index = (
            number_text(progress, name, units, resolution=width)
            for name, width in zip(("minimum_scan", "minimum_index"), cells, strict=True)
        )
        place = scan if plan is not None and plan.profile else f"{scan} / {index}"
        minimum = f"; minimum {minimum_with_interval(record)} at {units.with_unit(place)}"
    where = Where() if record.plan is None else record.plan.where
    if raw := raw_minimum_text(progress, record.display, where):
        minimum += f"; {raw}"
    why = "a failed check or a slip" if record.slips else "a failed check"
    suspect = f"; {progress.suspect:,} cells SUSPECT by {why}" if progress.suspect else ""
    if record.journal_damage:
        suspect += "; JOURNAL DAMAGED"
    verdict = "reached" if record.target_reached else "not reached"
    return (
        f"{number_text(progress, 'percent')} % of {progress.required:,} cells measured, "
        f"target {record.target_coverage:g} % {verdict}; "
        f"{count_text(len(record.open_gaps), 'gap')} open, "
        f"{len(record.gaps) - len(record.open_gaps):,} closed{minimum}{suspect}; {record.status}"
    )


def minimum_with_interval(record: SurveyRecord) -> str:
    """Return the minimum thickness as it was read, and the interval for the true one if stated."""
    units = record.display
    interval = interval_text(record.minimum_interval, units)
    read = minimum_text(record.progress, units)
    return f"{read} as read, true minimum {interval}" if interval else read


def gaps_table(record: SurveyRecord, *, closed: bool = False) -> Table:
    """Return gaps and the zones excluded while scanning as a table; times are UTC.

    Args:
        record: the survey's record.
        closed: whether to list gaps that ended as well.
    """
    table = Table(title=None, box=None, pad_edge=False, header_style="bold")
    table.add_column("gap", justify="right")
    listed = record.gaps if closed else record.open_gaps
    hours = any(gap.hours for gap in listed)
    units = record.display
    scan, index, area = (
        f"scan {units.length_name}",
        f"index {units.length_name}",
        f"length {units.length_name}" if _is_profile(record) else f"area {units.area_name}",
    )
    for heading in (scan, index, *(("hours",) if hours else ()), "cells", area):
        table.add_column(heading, justify="right", no_wrap=True)
    for heading in ("cause", "opened", *(("closed",) if closed else ())):
        table.add_column(heading, no_wrap=heading == "opened", overflow="fold")
    scan_turn, index_turn = turns(record)
    for gap in listed:
        table.add_row(
            str(gap.number),
            extent_text(gap.scan, scan_turn, units),
            extent_text(gap.index, index_turn, units),
            *((gap.hours,) if hours else ()),
            f"{gap.cells:,}",
            _area(record, gap),
            gap.causes_text,
            f"{gap.opened:%H:%M:%S}",
            *((_end(gap),) if closed else ()),
        )
    for zone in record.zones:
        because = f": {zone.because}" if zone.because else ""
        table.add_row(
            "",
            "all" if zone.scan is None else extent_text(zone.scan, scan_turn, units),
            "all" if zone.index is None else extent_text(zone.index, index_turn, units),
            *(("",) if hours else ()),
            f"{zone.cells:,}",
            "",
            f"excluded: {zone.name}, by {zone.by}{because}",
            f"{zone.time:%H:%M:%S}",
            *(("",) if closed else ()),
        )
    return table


def gaps_json(record: SurveyRecord, *, last: LastRun = LastRun.ENDED) -> str:
    """Return coverage and every gap, open and closed, as JSON.

    Args:
        record: of the survey.
        last: what is known of its last run.
    """
    return json.dumps(
        {
            "survey": record.survey,
            "station": record.station,
            "status": record.status,
            "ended_without_a_word": None if last is LastRun.UNKNOWN else last is LastRun.DEAD,
            "last_run": last,
            "percent": record.progress.percent,
            "target": record.target_coverage,
            "target_reached": record.target_reached,
            "journal_damage": [one.model_dump(mode="json") for one in record.journal_damage],
            "excluded": [zone.model_dump(mode="json", by_alias=True) for zone in record.zones],
            "gaps": [gap.model_dump(mode="json", by_alias=True) for gap in record.gaps],
        },
        indent=2,
    )


def _area(record: SurveyRecord, gap: GapMessage) -> str:
    """Return the area of a gap; on a line profile its length."""
    if _is_profile(record):
        return record.display.number(gap.area, 0)
    return record.display.area_number(gap.area)


def _is_profile(record: SurveyRecord) -> bool:
    return record.plan is not None and record.plan.profile


def _end(gap: GapMessage) -> str:
    if gap.closed is None:
        return ""
    return f"{gap.closed:%H:%M:%S} {gap.end_text}"
