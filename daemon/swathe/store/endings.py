"""How a survey's last run ended: in good order, not yet, or without a word."""

from __future__ import annotations

from datetime import datetime

from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind, read_segment, segment_paths
from swathe.messages import moment
from swathe.store.folder import SurveyFolder
from swathe.store.record import SurveyRecord

__all__ = ["ending_text", "is_dead", "last_entry_time"]


def is_dead(folder: SurveyFolder, record: SurveyRecord) -> bool | None:
    """Return whether the last run was killed or lost its power; None where that is unknown.

    Evidence: the record's run has not ended, and no process holds the survey's lock.
    """
    if record.status != "scanning":
        return False
    written_now = folder.written_now
    return None if written_now is None else not written_now


def last_entry_time(folder: SurveyFolder) -> datetime | None:
    """Return the time of the journal's last entry; None where no run of it can be read.

    That is up to when the last run is known to have lived.
    """
    opened, last = None, None
    try:
        for path in reversed(segment_paths(folder.journal)):
            entries = iter(read_segment(path))
            first = next(entries, None)
            if first is None:
                continue  # killed before its first chunk was written
            if last is None:
                last = first
                for entry in entries:
                    last = entry
            if isinstance(first, Mark) and first.kind is MarkKind.OPENED:
                opened = first
                break
        if opened is None or last is None:
            return None
        return moment(int(opened.detail["utc_ns"]) + last.time - opened.time)
    except (SwatheError, KeyError, ValueError):
        return None  # a damaged journal has its own messages


def ending_text(folder: SurveyFolder, record: SurveyRecord) -> str:
    """Return what there is to say of a run that is not known to have ended; empty if it has."""
    if record.status != "scanning":
        return ""
    dead = is_dead(folder, record)
    if dead is None:
        return "whether its run still lasts cannot be found out here: its lock cannot be read"
    if not dead:
        return "a run writes to this survey now: figures are those of its last checkpoint"
    at = last_entry_time(folder)
    when = "" if at is None else f" at {at:%Y-%m-%d %H:%M:%S} UTC, its last journal entry"
    return (
        f"the last run ended without a word{when}: killed, or the power failed; figures are those of "
        "its last checkpoint, `swathe rebuild` or the next run brings them up to the journal"
    )
