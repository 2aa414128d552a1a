"""What a survey does not have, as text: missing cells by cause, zones excluded while scanning."""

from __future__ import annotations

from collections import Counter

from swathe.messages import Extent, GapMessage
from swathe.pipeline import GapCause
from swathe.pipeline.progress.fields import count_text, extent_text
from swathe.pipeline.progress.snapshots import GapPartSnapshot
from swathe.store import SurveyRecord, ZoneRecord

__all__ = ["missing_lines", "place_text", "turns", "zone_text"]

_MOST_PARTS = 20


def turns(record: SurveyRecord) -> tuple[Extent | None, Extent | None]:
    """Return from where to where positions on scan and index axis read; None where not wrapped."""
    plan = record.plan
    return (None, None) if plan is None else (plan.scan_turn, plan.index_turn)


def place_text(
    record: SurveyRecord, of: GapMessage | GapPartSnapshot | ZoneRecord, *, whole: str = "all"
) -> str:
    """Return where a gap or a zone is.

    Args:
        record: of the survey.
        of: has the extents.
        whole: instead of an extent that is a whole axis.
    """
    units = record.display
    parts = [
        f"{axis} {whole}"
        if extent is None
        else f"{axis} {units.with_unit(extent_text(extent, turn, units))}"
        for axis, extent, turn in zip(
            ("scan", "index"), (of.scan, of.index), turns(record), strict=True
        )
    ]
    profile = record.plan is not None and record.plan.profile
    return parts[0] if profile else ", ".join(parts)


def missing_lines(record: SurveyRecord) -> list[str]:
    """Return the missing cells by cause, where the rarer causes of a gap are, and the zones."""
    causes: Counter[GapCause] = Counter()
    for gap in record.open_gaps:
        causes.update(gap.causes)
    lines = []
    if causes:
        counts = ", ".join(f"{count:,} {cause}" for cause, count in causes.most_common())
        gaps = count_text(len(record.open_gaps), "open gap")
        lines.append(f"missing in {gaps}, by cause: {counts}")
    parts = [
        f"    of gap {gap.number}, {count_text(part.cells, 'cell')} {part.cause}: "
        f"{place_text(record, part)}"
        for gap in record.open_gaps
        for part in gap.parts[1:]
    ]
    lines += parts[:_MOST_PARTS]
    if (more := len(parts) - _MOST_PARTS) > 0:
        lines.append(f"    and {more:,} more, in `swathe gaps --json`")
    return lines + [f"excluded while scanning: {zone_text(record, zone)}" for zone in record.zones]


def zone_text(record: SurveyRecord, zone: ZoneRecord) -> str:
    """Return an excluded zone in a line: what, where, how many cells, by whom, when and why."""
    because = f": {zone.because}" if zone.because else ""
    return (
        f"{zone.name}, {place_text(record, zone)}, {count_text(zone.cells, 'cell')}, "
        f"by {zone.by}, {zone.time:%Y-%m-%d %H:%M:%S} UTC{because}"
    )
