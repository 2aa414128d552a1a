"""What the station files of later runs changed, as text."""

from __future__ import annotations

from swathe.store import SurveyRecord

__all__ = ["change_lines"]


def change_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each key that a run's station file changed; lengths are in mm."""
    lines: list[str] = []
    for one in record.station_changes:
        text = (
            f"run {one.run} of {one.time:%Y-%m-%d %H:%M} UTC: {one.key} was {one.before} and is "
            f"{one.now}"
        )
        if one.decisive:
            text = f"{text}, from this run on; reason: {one.because or 'none was given'}"
        lines.append(text)
    return lines
