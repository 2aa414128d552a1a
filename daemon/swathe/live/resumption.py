"""Brings a pipeline up to the end of a journal that this run is writing already."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from swathe.errors import JournalError
from swathe.journal import (
    JournalCursor,
    JournalPosition,
    JournalWriter,
    SegmentDigest,
    segment_digests,
    segment_paths,
)
from swathe.pipeline import Pipeline, PlacingObserver
from swathe.station import Station
from swathe.store import (
    Checkpoint,
    CheckpointFile,
    CheckpointUnusableError,
    SurveyFolder,
    feed_journal,
    measured_delays,
    revisions_in_force,
)

__all__ = ["Resumption", "feed_rest"]

_log = logging.getLogger(__name__)

# So much of the journal is fed in the loop; more of it in a thread, while the run journals on.
_FEW_BYTES = 1 << 14


def feed_rest(pipeline: Pipeline, cursor: JournalCursor) -> bool:
    """Feed what was journalled since the last time; return whether it was little.

    Raises:
        JournalError: the journal cannot be read.
    """
    before = cursor.position
    feed_journal(pipeline, cursor)
    after = cursor.position
    return after.segment == before.segment and after.offset - before.offset <= _FEW_BYTES


class Resumption:
    """Replays the earlier runs of a survey, then what this run has journalled meanwhile.

    Args:
        folder: the survey, locked.
        station: the plan of the survey.
        journal: of this run, open: its first file is the first that is not replayed from the start.
        file: of the checkpoint.
        observer: is shown readings and path.
        on_torn: called with journal files that a crash cut off.

    Attributes:
        pipeline: the state so far.
        observer: as given, or as the checkpoint has it.
        digests: of the files of earlier runs.
        share: of the earlier runs that is replayed, 0 to 1.
        stopped: set it to end a replay early.
    """

    def __init__(
        self,
        folder: SurveyFolder,
        station: Station,
        journal: JournalWriter,
        file: CheckpointFile,
        *,
        observer: PlacingObserver | None = None,
        on_torn: Callable[[Path, str], None] | None = None,
    ) -> None:
        self._folder = folder
        self._journal = journal
        self._own = int(journal.path.stem)
        self._file = file
        self._on_torn = on_torn
        self.observer = observer
        self._station = station
        self.pipeline = Pipeline(station, observer=observer)
        self.digests: list[SegmentDigest] = []
        self.share = 0.0
        self.stopped = False
        self._cursor = self._earlier_runs(None)

    def _earlier_runs(self, start: JournalPosition | None) -> JournalCursor:
        return JournalCursor(
            self._folder.journal, start=start, on_torn=self._on_torn, before=self._own
        )

    @property
    def position(self) -> JournalPosition:
        """Behind the last entry that was fed."""
        return self._cursor.position

    def replay(self) -> None:
        """Replay the earlier runs, from the checkpoint if it is valid; may run in another thread.

        Raises:
            JournalError: the journal cannot be read.
        """
        delays = measured_delays(self._folder)
        observer = self.observer
        try:
            checkpoint = self._checkpoint()
            if checkpoint.state[0].grid.shape != self._station.shape:
                message = "the plan was extended since it was made"
                raise CheckpointUnusableError(message)
            if checkpoint.state[0].measured_delays != delays:
                message = "the delay was measured since it was made"
                raise CheckpointUnusableError(message)
            self.pipeline, self.observer = checkpoint.state
            self._cursor = self._earlier_runs(checkpoint.position)
            self._feed()
            # What the checkpoint has not seen is fed in any case: no other search for marks.
            if self.pipeline.revisions_pending and not self.stopped:
                message = "readings were discarded, moved or restored since it was made"
                raise CheckpointUnusableError(message)
        except CheckpointUnusableError as error:
            if self.digests:
                _log.info("the whole journal is replayed, the checkpoint is not used: %s", error)
            self.observer = observer
            self.pipeline = Pipeline(
                self._station,
                observer=observer,
                delays=delays,
                revisions=revisions_in_force(self._folder),
            )
            self._cursor = self._earlier_runs(None)
            self._feed()
        self.share = 1.0
        self._cursor = JournalCursor(
            self._folder.journal, start=self._cursor.position, growing=True, on_torn=self._on_torn
        )

    def _feed(self) -> None:
        feed_journal(self.pipeline, self._cursor, on_progress=self._note, stop=lambda: self.stopped)

    def follow(self) -> bool:
        """Feed what the run has journalled since; return whether it was little.

        May run in another thread; the last time it runs where the run is journalled.

        Raises:
            JournalError: the journal cannot be read.
        """
        return feed_rest(self.pipeline, self._cursor)

    def _note(self, share: float) -> None:
        self.share = share

    def _checkpoint(self) -> Checkpoint:
        """Return the checkpoint, if the journal begins with the bytes that it was made of.

        Raises:
            CheckpointUnusableError: it does not, or there is none.
        """
        paths = [p for p in segment_paths(self._folder.journal) if int(p.stem) < self._own]
        problem: CheckpointUnusableError | None = None
        expected: dict[int, SegmentDigest] = {}
        try:
            checkpoint = self._file.load()
            expected = {digest.segment: digest for digest in checkpoint.digests}
        except CheckpointUnusableError as error:
            problem = error
        last = max(expected, default=0)
        known = {}
        for path in paths:
            number = int(path.stem)
            # Only in its last file does the state end before the file does.
            size = expected[last].size if number == last else None
            try:
                part, whole = segment_digests(path, size)
            except OSError as error:
                raise JournalError(path, f"cannot be read: {error.strerror}") from error
            self.digests.append(whole)
            known[number] = part
        if problem is not None:
            raise problem
        for number in sorted(expected.keys() | {number for number in known if number < last}):
            if known.get(number) != expected.get(number):
                message = f"file {number:04d}.mcap of the journal has changed since it was made"
                raise CheckpointUnusableError(message)
        if type(checkpoint.state[1]) is not type(self.observer):
            message = "it has another observer"
            raise CheckpointUnusableError(message)
        return checkpoint
