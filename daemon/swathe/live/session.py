"""One run of a survey: journal first, then the pipeline, then the derived files.

A run journals from its first moment. What earlier runs have measured is replayed meanwhile, in a
thread, and then what this run has journalled so far; from there on each entry is fed as it comes.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from swathe.errors import MisuseError
from swathe.journal import Entry, JournalWriter, Mark, MarkKind, Tick
from swathe.live.clock_watch import ClockWatch
from swathe.live.continuing import begin_time, continuation
from swathe.live.derived_files import DerivedFiles
from swathe.live.keeping import Kept, StateKeeper
from swathe.live.kept_journal import KeptJournal
from swathe.live.placing_again import PlacingAgain
from swathe.live.resumption import Resumption
from swathe.pipeline import Pipeline, PlacingObserver
from swathe.station import AlarmKind, Station
from swathe.store import CheckpointFile, SurveyFolder

__all__ = ["Session"]


_DERIVED = "arrays and record may be older, the next run or `swathe rebuild` brings them up to it"
# Rounds in which a replay that is as slow as the run may catch up with it.
_MOST_ROUNDS = 100


class Session:
    """Holds a survey for writing; a context manager.

    On entering, the run begins in the journal. `resume` or `resume_meanwhile` then gives it its
    pipeline, with what earlier runs have measured.

    Args:
        folder: the survey.
        station: the station file, and
        text: its text, which goes into the journal.
        clock: host's monotonic clock, ns.
        wall_clock: ns since 1970.
        on_torn: called with journal files that a crash cut off.
        observer: is shown readings and path.
        purpose: ``scan``, ``check`` for a run that only checks the calibration, or ``revision`` for
            one that only discards, moves or restores readings.
        because: why decisive keys of the station file were changed since the last run.

    Attributes:
        folder: as given.
        survey: identity of the survey.
        clock_watch: judges the clock by which the run began; None before it is entered.
        continued: whether the survey has earlier runs.
        kept: its journal, and what of it is on the disk.
    """

    def __init__(
        self,
        folder: SurveyFolder,
        station: Station,
        text: str,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        wall_clock: Callable[[], int] = time.time_ns,
        on_torn: Callable[[Path, str], None] | None = None,
        observer: PlacingObserver | None = None,
        purpose: Literal["scan", "check", "revision"] = "scan",
        because: str = "",
    ) -> None:
        self.folder = folder
        self._station = station
        self._text = text
        self._clock = clock
        self._wall_clock = wall_clock
        self._on_torn = on_torn
        self._stack = ExitStack()
        self._journal = JournalWriter(folder.journal, wall_clock=wall_clock)
        self._files = DerivedFiles(folder, station, self._journal)
        self.kept = KeptJournal(self._journal, clock=clock)
        self._observer = observer
        self._purpose = purpose
        self._because = because
        self.survey = ""
        self.continued = False
        self.clock_watch: ClockWatch | None = None
        self._pipeline: Pipeline | None = None
        self._resumption: Resumption | None = None
        self._keeper: StateKeeper | None = None
        self._again: PlacingAgain | None = None

    def __enter__(self) -> Self:
        """Open the survey for writing.

        Raises:
            SurveyError: another process writes to it, or it was started with another plan.
            JournalError: its journal cannot be read or written.
        """
        with ExitStack() as stack:
            stack.enter_context(self.folder)
            self.continued = self.folder.begun
            found = continuation(self.folder, self._station, self._purpose, self._because)
            self.survey = found.survey
            stack.enter_context(self._journal)
            detail = found.opening(self._station, self._text, self._purpose, self._because)
            earliest = begin_time(self.folder, self._wall_clock())
            file = CheckpointFile(self.folder.path, self.survey)
            self._keeper = StateKeeper(file)
            self._resumption = Resumption(
                self.folder,
                found.plan,
                self._journal,
                file,
                observer=self._observer,
                on_torn=self._on_torn,
            )
            opened, clock = self._clock(), self._wall_clock()
            began = max(clock, earliest)
            detail |= {"utc_ns": began, "clock_ns": clock}
            self.clock_watch = ClockWatch(offset=clock - opened, began=clock, stated=began)
            self.enter(Mark(opened, MarkKind.OPENED, detail))
            for mark in found.marks(opened):
                self.enter(mark)
            self._journal.flush()
            self._journal.sync()
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.__exit__(kind, error, trace)

    @property
    def pipeline(self) -> Pipeline:
        """The pipeline.

        Raises:
            MisuseError: the survey is not resumed yet.
        """
        if self._pipeline is None:
            message = "the pipeline of a survey that is not resumed yet"
            raise MisuseError(message)
        return self._pipeline

    @property
    def observer(self) -> PlacingObserver | None:
        """What is shown readings and path, with what it was shown in earlier runs."""
        return self._observer

    @property
    def resumed(self) -> float | None:
        """Share of the earlier runs that is replayed, 0 to 1; None once the survey is resumed."""
        resumption = None if self._pipeline is not None else self._resumption
        return None if resumption is None else resumption.share

    def stop_resuming(self) -> None:
        """Let the replay end early; `resume_meanwhile` then returns False."""
        if self._resumption is not None:
            self._resumption.stopped = True

    def resume(self) -> None:
        """Replay earlier runs and what this one has journalled, and bring the files up to date.

        Raises:
            SurveyError: the files cannot be written.
            JournalError: the journal cannot be read or written.
        """
        self._replay()
        self._join()

    async def resume_meanwhile(self) -> bool:
        """Do as `resume` in a thread, while the caller journals; return False if it was stopped.

        Raises:
            SurveyError: the files cannot be written.
            JournalError: the journal cannot be read or written.
        """
        resumption = self._entered()
        if not await asyncio.to_thread(self._replay):
            return False
        await self._catch_up(resumption.follow, lambda: resumption.stopped)
        if not await self.kept.until_readable(lambda: resumption.stopped):
            return False
        self._join()
        return True

    async def _catch_up(self, follow: Callable[[], bool], stopped: Callable[[], bool]) -> None:
        """Call `follow` in a thread until little is journalled meanwhile, or it is `stopped`."""
        for _ in range(_MOST_ROUNDS):
            if not await self.kept.until_readable(stopped) or await asyncio.to_thread(follow):
                return

    def _entered(self) -> Resumption:
        if self._resumption is None:
            message = "resume a session that is not entered"
            raise MisuseError(message)
        return self._resumption

    def _replay(self) -> bool:
        """Replay, keep the state, and update the files; return False if it was stopped."""
        resumption, keeper = self._entered(), self._keeper
        resumption.replay()
        if self.clock_watch is not None:
            self.clock_watch.newest = resumption.pipeline.grid.newest_time
        if self.continued and resumption.stopped:
            return False
        if keeper is not None:
            # Also of a first run: a later copy, which the loop waits for, has its memory then.
            kept = keeper.take(
                resumption.pipeline,
                resumption.observer,
                resumption.position,
                resumption.digests,
                meanwhile=False,
            )
            if kept is not None and self.continued:
                keeper.save(kept)
        resumption.follow()
        # After a crash the files on disk are first brought up to the state of the journal.
        self._files.earlier = resumption.digests
        self._files.write_whole(
            resumption.pipeline, grid=self.continued, stop=lambda: resumption.stopped
        )
        return not (self.continued and resumption.stopped)

    def _join(self) -> None:
        """Feed the last of what was journalled; from now on each entry is fed as it comes."""
        resumption = self._entered()
        self._journal.flush()  # raised by `resume` alone: the other way it is readable already
        resumption.follow()
        self._pipeline, self._observer = resumption.pipeline, resumption.observer
        if self.continued:
            self.mark(MarkKind.INHERITED, **self._pipeline.inherited)

    @property
    def utc_now(self) -> int:
        """Time by the host's clock, which gives the marks theirs, ns UTC.

        Raises:
            MisuseError: the survey is not resumed yet.
        """
        return self._clock() + self.pipeline.utc_offset

    @property
    def placing_again(self) -> float | None:
        """Share of the journal that is placed again, 0 to 1; None while none is."""
        return None if self._again is None else self._again.share

    def stop_placing_again(self) -> None:
        """Let placing again end early; `place_again` then returns False."""
        if self._again is not None:
            self._again.stopped = True

    async def place_again(
        self,
        observer: PlacingObserver | None,
        *,
        prepare: Callable[[Pipeline], None],
        on_placed: Callable[[Pipeline], None],
    ) -> bool:
        """Place the survey again with all marks of the journal; return False if it was stopped.

        These are the newest measured delays and the revisions in force. One at a time.

        The caller journals meanwhile. Arrays and record are of the new state when this returns, and
        so are `pipeline` and `observer`, between two entries.

        Args:
            observer: a new one, which is shown readings and path.
            prepare: called in a thread with the new pipeline, while nothing is fed to it.
            on_placed: called with the pipeline that was replaced, before the next entry.

        Raises:
            SurveyError: the files cannot be written.
            JournalError: the journal cannot be read or written.
        """
        await self.kept.until_readable()
        try:
            again = self._again = await asyncio.to_thread(
                PlacingAgain, self.folder, observer=observer
            )
            if not await asyncio.to_thread(again.replay):
                return False
            await self._catch_up(again.follow, lambda: again.stopped)
            async with self._files.lock:
                await asyncio.to_thread(self._files.write_whole_later, again.pipeline)
                await asyncio.to_thread(prepare, again.pipeline)
                await self._catch_up(again.follow, lambda: again.stopped)
                if not await self.kept.until_readable(lambda: again.stopped):
                    self._files.trouble = "they are of a placing that was stopped"
                    return False
                again.follow()
                before, self._pipeline = self.pipeline, again.pipeline
                self._observer = again.observer
                on_placed(before)
        finally:
            self._again = None
        return True

    def enter(self, entry: Entry) -> None:
        """Journal an entry and feed it to the pipeline, once the survey is resumed.

        Raises:
            JournalError: the journal cannot be written; the entry was not fed.
        """
        for each in self.kept.write(entry):
            if self._pipeline is not None:
                self._pipeline.feed(each)

    def mark(self, kind: MarkKind, **detail: Any) -> None:  # noqa: ANN401  JSON values
        """Journal a mark."""
        self.enter(Mark(self._clock(), kind, detail))

    def tick(self, reached: int | None = None) -> None:
        """Journal a tick: all that arrived up to `reached` (host time, ns; now) is entered."""
        self.enter(Tick(self._clock() if reached is None else reached))

    def flush(self, *, sync: bool = True) -> None:
        """Flush the journal to the operating system, and sync it in the background.

        Args:
            sync: whether it is to be synced as well; not while the last sync is under way.
        """
        self.kept.flush(sync=sync)

    @property
    def unsaved(self) -> str:
        """What is not on the disk, as text for a run that is abandoned; for any thread."""
        return f"{self.kept.unsaved}; {_DERIVED}"

    @property
    def disk_trouble(self) -> str:
        """Why what is journalled now only waits in memory; empty while it does not."""
        return self.kept.trouble

    def disk_alarms(self) -> dict[AlarmKind, str]:
        """Return the text of each alarm about the disk, empty where there is none."""
        return self.kept.alarms(derived=self._files.trouble)

    async def checkpoint(self, *, whole: bool = False) -> None:
        """Update arrays and record, writing in the background.

        During a scan a disk that does not take them is an alarm, and the next checkpoint writes them.

        Args:
            whole: whether the record summarizes every line, as at the end of a run.

        Raises:
            SurveyError: the disk is full or absent, at the end of a run.
        """
        async with self._files.lock:
            # Copied here: the scan continues while the copy is written.
            self.kept.hand_over()
            write = self._files.take(self.pipeline, whole=whole, patient=not whole)
            kept = self._take_state(meanwhile=not whole)

            def save() -> None:
                write()
                if kept is not None and self._keeper is not None:
                    self._keeper.save(kept)

            await asyncio.to_thread(save)

    def _take_state(self, *, meanwhile: bool) -> Kept | None:
        """Return a copy of the state, if one is due, for the next time the survey is resumed."""
        if self._keeper is None or (meanwhile and not self._keeper.due()):
            return None
        self.kept.hand_over()
        return self._keeper.take(
            self.pipeline,
            self._observer,
            self._journal.position(),
            [*self._entered().digests, *self._journal.digests()],
            meanwhile=meanwhile,
        )

    async def end(self, status: Literal["complete", "incomplete"], reason: str) -> None:
        """End the run: mark, journal, arrays and record; only the journal if it was not resumed.

        Raises:
            JournalError: the disk is full or absent.
            SurveyError: likewise.
        """
        for entry in self.kept.end_losses():
            if self._pipeline is not None:
                self._pipeline.feed(entry)
        self.mark(MarkKind.ENDED, status=status, reason=reason)
        await self.kept.synced()
        if self._pipeline is not None:
            await self.checkpoint(whole=True)
