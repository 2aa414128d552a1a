"""What operators discarded, moved and restored, as text."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.pipeline import RevisionSnapshot
from swathe.pipeline.progress.fields import count_text
from swathe.pipeline.progress.revision_snapshots import stretch_text
from swathe.store import SurveyRecord

__all__ = ["revision_lines"]


def revision_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each revision of a survey, with its number; times are UTC."""
    return [_line(one, record.display) for one in record.revisions]


def _line(one: RevisionSnapshot, units: DisplayUnits) -> str:
    done = "discarded" if one.to_line is None else f"moved to line {one.to_line}"
    text = (
        f"revision {one.number}, {one.time:%Y-%m-%d %H:%M} UTC: {stretch_text(one, units)} {done} "
        f"by {one.by} ({one.because})"
    )
    if one.restored is not None:
        back = f"restored by {one.restored_by}, {one.restored:%Y-%m-%d %H:%M} UTC"
        text += f"; {back} ({one.restored_because})"
    if one.readings is None:
        return f"{text}; NOT APPLIED yet: `swathe rebuild` places the survey again"
    return text if one.restored is not None else f"{text}: {count_text(one.readings, 'reading')}"
