"""How a survey's last run ended: in good order, not yet, or without a word."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind, opening_marks, read_segment, segment_paths
from swathe.messages import moment
from swathe.store.folder import SurveyFolder
from swathe.store.record import SurveyRecord, read_survey_record

__all__ = ["LastRun", "ending_text", "last_entry_time", "last_run"]


class LastRun(StrEnum):
    """What is known of a survey's last run, and whether the record knows that run."""

    ENDED = "ended"
    LIVE = "live"
    RESUMING = "resuming"
    """It replays earlier runs, the record is theirs."""
    WRITTEN = "written"
    """It ended; something else writes to the survey."""
    DEAD = "ended without a word"
    BEHIND = "not replayed"
    """It ended in good order, but without what it had journalled in the record."""
    UNKNOWN = "unknown"


class _JournalEnd(NamedTuple):
    time: datetime
    status: str  # of the last run's end; empty if the journal has none


def last_run(folder: SurveyFolder, record: SurveyRecord) -> LastRun:
    """Return what is known of a survey's last run.

    Evidence: the opening marks in the journal, of which the record knows so many; the lock, which a
    process holds that writes to the survey; and whether the journal ends with a run's end.

    Args:
        folder: the survey.
        record: as it was read last.
    """
    scanning = record.status == "scanning"
    newer = _openings(folder) > record.runs
    written_now = folder.written_now
    if written_now is None:
        return LastRun.UNKNOWN if scanning or newer else LastRun.ENDED
    if written_now:
        if newer:
            return LastRun.RESUMING
        return LastRun.LIVE if scanning else LastRun.WRITTEN
    if not scanning and not newer:
        return LastRun.ENDED
    end = _journal_end(folder)
    return LastRun.BEHIND if end is not None and end.status else LastRun.DEAD


def last_entry_time(folder: SurveyFolder) -> datetime | None:
    """Return the time of the journal's last entry; None where no run of it can be read.

    That is up to when the last run is known to have lived.
    """
    end = _journal_end(folder)
    return None if end is None else end.time


def _openings(folder: SurveyFolder) -> int:
    """Return how many runs of the journal scan, of those that can be read; as the record counts them."""
    try:
        openings = opening_marks(folder.journal)
        return sum(mark.detail.get("purpose", "scan") == "scan" for mark in openings)
    except SwatheError:
        return 0  # a damaged journal has its own messages


def _journal_end(folder: SurveyFolder) -> _JournalEnd | None:
    """Return how the journal ends; None where no run of it can be read."""
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
        status = ""
        if isinstance(last, Mark) and last.kind is MarkKind.ENDED:
            status = str(last.detail.get("status", "incomplete"))
        return _JournalEnd(moment(int(opened.detail["utc_ns"]) + last.time - opened.time), status)
    except (SwatheError, KeyError, ValueError):
        return None  # a damaged journal has its own messages


_REBUILD = "`swathe rebuild` or the next run brings them up to the journal"


def ending_text(folder: SurveyFolder, record: SurveyRecord) -> str:
    """Return what there is to say of a run whose figures may not be its last; empty if they are."""
    match last_run(folder, record):
        case LastRun.ENDED:
            return ""
        case LastRun.UNKNOWN:
            return "whether its run still lasts cannot be found out here: its lock cannot be read"
        case LastRun.LIVE:
            return "a run writes to this survey now: figures are those of its last checkpoint"
        case LastRun.RESUMING:
            before = "the run before"
            if record.status == "scanning":
                before += ", which ended without a word, up to its last checkpoint"
            return (
                f"a run resumes this survey now: figures are those of {before}; once the earlier runs "
                "are replayed they follow the run"
            )
        case LastRun.WRITTEN:
            return "another swathe process writes to this survey now: read it again when that has ended"
        case LastRun.BEHIND:
            if read_survey_record(folder.record) != record:
                return "a run ended while this was read: read it again for its last figures"
            return (
                "the last run ended before what it had journalled was evaluated: figures are older, "
                f"{_REBUILD}"
            )
        case LastRun.DEAD:
            at = last_entry_time(folder)
            when = "" if at is None else f" at {at:%Y-%m-%d %H:%M:%S} UTC, its last journal entry"
            return (
                f"the last run ended without a word{when}: killed, or the power failed; figures are "
                f"those of the last checkpoint, {_REBUILD}"
            )
