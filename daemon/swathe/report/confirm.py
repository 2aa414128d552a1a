"""Doubtful thicknesses of a survey as text: what is to be confirmed, and what was."""

from __future__ import annotations

from swathe.messages import ConfirmSnapshot
from swathe.pipeline.progress.confirm_snapshot import Where, confirm_text
from swathe.pipeline.progress.fields import count_text
from swathe.store import SurveyRecord

__all__ = ["confirm_report"]

_MOST = 20
_SETTLED = "settled"


def confirm_report(record: SurveyRecord) -> list[str]:
    """Return the places to confirm, most dangerous first, then those confirmed, and the counts."""
    places = sorted(
        (place for place in record.confirm if place.status != _SETTLED),
        key=lambda place: place.danger,
    )
    lines = [_line(record, place) for place in places[:_MOST]]
    if (more := len(places) - _MOST) > 0:
        lines.append(f"    and {more:,} more places, in survey.json")
    if record.flags:
        counts = ", ".join(f"{n:,} {name.replace('_', ' ')}" for name, n in record.flags.items())
        lines.append(f"cells by flag of the layer 'quality': {counts}")
    if impossible := record.progress.impossible:
        beyond = count_text(impossible, "reading")
        lines.append(f"{beyond} beyond what the part can have, counted as no echo")
    return lines


def _line(record: SurveyRecord, place: ConfirmSnapshot) -> str:
    where = Where() if record.plan is None else record.plan.where
    return f"{place.status} #{place.number}: {confirm_text(place, record.display, where)}"
