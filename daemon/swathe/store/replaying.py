"""Running the pipeline over a journal: the one way of resume, rebuild, calibration and API."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from swathe.errors import SurveyError
from swathe.journal import Entry, JournalCursor, Lost, Mark, MarkKind
from swathe.pipeline import Pipeline, PlacingObserver, ReadingObserver
from swathe.station import Station
from swathe.store.delays import measured_delays
from swathe.store.folder import SurveyFolder
from swathe.store.revisions import revisions_in_force

__all__ = ["feed_journal", "replay", "replay_in_parts"]

# Bytes of the journal that are computed at once, a fraction of a second of work.
_BATCH_BYTES = 1 << 19


def replay(
    folder: SurveyFolder,
    *,
    amend: Callable[[Station], Station] | None = None,
    observer: PlacingObserver | None = None,
    until: int | None = None,
    on_torn: Callable[[Path, str], None] | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Pipeline:
    """Return the pipeline after the entries of the survey's journal.

    Runs whose delay is ``auto`` are placed with the newest one that the journal has; readings that
    operators discarded or moved are left out or moved from the first entry on.

    Args:
        folder: the survey.
        amend: changes the station file of each run before it is applied, such as another delay.
        observer: is shown readings and path.
        until: ns UTC; the replay ends before the first entry that is later.
        on_torn: called with journal files that a crash cut off.
        on_progress: called at intervals with the share of the journal that is done, 0 to 1.

    Raises:
        SurveyError: no such survey, or its first run began after `until`.
        JournalError: the journal cannot be read.
    """
    pipeline = _pipeline(folder, amend=amend, observer=observer, until=until)
    cursor = JournalCursor(folder.journal, on_torn=on_torn)
    feed_journal(pipeline, cursor, until=until, on_progress=on_progress)
    if not pipeline.survey:
        raise SurveyError(folder.path, "its first run began after the time given by 'until'")
    return pipeline


def replay_in_parts(
    folder: SurveyFolder, readings: ReadingObserver
) -> Iterator[tuple[Pipeline, float]]:
    """Replay the survey's journal; yield the pipeline and the share that is done, part by part.

    Args:
        folder: the survey.
        readings: is shown what becomes of each reading.

    Raises:
        SurveyError: no such survey.
        JournalError: the journal cannot be read.
    """
    pipeline = _pipeline(folder)
    pipeline.reading_observer = readings
    cursor = JournalCursor(folder.journal)
    for share in _fed(pipeline, cursor):
        yield pipeline, share
    yield pipeline, 1.0


def _pipeline(
    folder: SurveyFolder,
    *,
    amend: Callable[[Station], Station] | None = None,
    observer: PlacingObserver | None = None,
    until: int | None = None,
) -> Pipeline:
    """Return a pipeline that takes a survey's journal from its first entry on; see `replay`."""
    return Pipeline(
        folder.plan(until),
        amend=amend,
        observer=observer,
        delays=measured_delays(folder, until=until),
        revisions=revisions_in_force(folder, until=until),
    )


def feed_journal(
    pipeline: Pipeline,
    cursor: JournalCursor,
    *,
    until: int | None = None,
    on_progress: Callable[[float], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> None:
    """Feed what a journal holds from the cursor on, up to its present end.

    Args:
        pipeline: takes the entries; those before the mark that opens its first run are left out.
        cursor: reads the journal; where it is not stopped, it is behind what was fed.
        until: ns UTC; feeding ends before the first entry that is later.
        on_progress: called at intervals with the share of the journal that is done, 0 to 1.
        stop: asked after each block whether to end early.
    """
    for share in _fed(pipeline, cursor, until=until, stop=stop):
        if on_progress is not None:
            on_progress(share)


def _fed(
    pipeline: Pipeline,
    cursor: JournalCursor,
    *,
    until: int | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[float]:
    """Feed a journal, see `feed_journal`; yield the share that is done after each part but the last."""
    begun = cursor.position
    for entries in cursor.blocks():
        if _collect(pipeline, entries, until) or stop():
            break
        at = cursor.position
        if at.segment != begun.segment or at.offset - begun.offset >= _BATCH_BYTES:
            begun = at
            pipeline.advance()
            yield cursor.share_read()
    pipeline.advance()


def _collect(pipeline: Pipeline, entries: list[Entry], until: int | None) -> bool:
    """Collect entries of a run that has begun; return whether one later than `until` came."""
    if until is None and pipeline.survey:
        pipeline.collect_all(entries)
        return False
    for entry in entries:
        if isinstance(entry, Lost):
            pipeline.collect(entry)
            continue
        opening = isinstance(entry, Mark) and entry.kind is MarkKind.OPENED
        if not (opening or pipeline.survey):
            continue
        if until is not None:
            opened = opening and isinstance(entry, Mark) and int(entry.detail["utc_ns"])
            if (opened or entry.time + pipeline.utc_offset) > until:
                return True
        pipeline.collect(entry)
    return False
