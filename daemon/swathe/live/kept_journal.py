"""A run's journal as the loop writes it: flushed at once, synced in a thread, kept when a disk refuses."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from functools import partial

from swathe.errors import JournalError
from swathe.journal import Entry, JournalWriter
from swathe.live.disk import STALLED_NS, DiskLosses
from swathe.station import AlarmKind

__all__ = ["KeptJournal"]

_log = logging.getLogger(__name__)

_RETRY_NS = 500_000_000
_READABLE_SECONDS = 0.02
_PATIENCE_SECONDS = 0.5


class KeptJournal:
    """Flushes and syncs a journal that is open.

    Args:
        journal: of the run.
        losses: bounds what waits in memory.
        clock: host's monotonic clock, ns.

    Attributes:
        syncing: the sync that is under way; None without one.
        saved_entries: how many of the run's first entries are known to be on the disk.
    """

    def __init__(
        self,
        journal: JournalWriter,
        *,
        losses: DiskLosses | None = None,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._journal = journal
        self._losses = losses or DiskLosses(journal)
        self._clock = clock
        self._written = self._unsynced = False
        self._retry_at = 0
        self.syncing: asyncio.Future[bool] | None = None
        self.saved_entries = 0
        self._sync_ended = asyncio.Event()

    @property
    def entries(self) -> int:
        """Entries that were written so far."""
        return self._journal.entries

    def write(self, entry: Entry) -> list[Entry]:
        """Write an entry; return what was written, which while the disk takes nothing may differ."""
        entries = self._losses.take(entry)
        for each in entries:
            self._journal.write(each)
            self._written = True
        return entries

    def end_losses(self) -> list[Entry]:
        """Write, at the end of a run, what was lost until then; return it."""
        entries = self._losses.rest(self._clock())
        for each in entries:
            self._journal.write(each)
            self._written = True
        return entries

    def hand_over(self) -> None:
        """Hand what was written to the operating system; what a disk refuses waits in memory.

        Raises:
            JournalError: the journal cannot begin its next file.
        """
        if not self._written:
            return
        self._written, self._unsynced = False, True
        try:
            self._journal.flush()
        except JournalError:
            if self._journal.trouble is None:
                raise

    def flush(self, *, sync: bool = True) -> None:
        """Hand over, and begin a sync unless one is under way; try again where the disk refused it.

        Args:
            sync: whether a sync may begin now; after a refusal one begins twice a second in any case.

        Raises:
            JournalError: as `hand_over`.
        """
        self.hand_over()
        if self.syncing is not None and self.syncing.done():
            if not self.syncing.result():
                self._unsynced, self._retry_at = True, self._clock() + _RETRY_NS
            self.syncing = None
        if self.syncing is not None or not self._unsynced:
            return
        if self._journal.trouble is not None:
            if self._clock() < self._retry_at:
                return
        elif not sync:
            return
        self._unsynced = False
        self.syncing = asyncio.ensure_future(asyncio.to_thread(self._sync))
        self.syncing.add_done_callback(partial(self._note_sync, self._journal.entries))

    def _note_sync(self, entries: int, sync: asyncio.Future[bool]) -> None:
        """Note that a sync has ended, which began when so many entries had been handed over."""
        if not sync.cancelled() and sync.exception() is None and sync.result():
            self.saved_entries = max(self.saved_entries, entries)
        self._sync_ended.set()

    async def saved(self, entries: int, seconds: float) -> bool:
        """Wait for the syncs that `flush` begins; return whether the run's first entries are on the disk.

        It returns False once the disk is known to take nothing, or when time is up.

        Args:
            entries: how many.
            seconds: to wait in the worst case.
        """
        until = asyncio.get_running_loop().time() + seconds
        while self.saved_entries < entries:
            left = until - asyncio.get_running_loop().time()
            if left <= 0 or self.trouble:
                return False
            self._sync_ended.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(left, _PATIENCE_SECONDS)):
                    await self._sync_ended.wait()
        return True

    def _sync(self) -> bool:
        """Sync the journal, as long as it takes; return False if the disk refused it."""
        try:
            self._journal.sync()
        except JournalError:
            if self._journal.trouble is None:
                raise
            return False
        return True

    async def synced(self) -> None:
        """Sync until all that was written is on the disk, however long that takes.

        Raises:
            JournalError: as `hand_over`.
        """
        warned = False
        while True:
            self.flush()
            if self.syncing is None and self._journal.trouble is None:
                return
            if self.trouble and not warned:
                _log.warning("the end of the run waits for the disk: %s", self.trouble)
                warned = True
            if self.syncing is not None:
                await asyncio.wait({self.syncing}, timeout=_PATIENCE_SECONDS)
            else:
                await asyncio.sleep(_READABLE_SECONDS)

    async def until_readable(self, stopped: Callable[[], bool] = bool) -> bool:
        """Flush, and wait until the file has it all, as after a full disk; return whether it has.

        What a flush left in memory, as one may during a slow sync, only a later one or the next sync writes: so
        it flushes again and again, whether or not something was written meanwhile.

        Args:
            stopped: asked at intervals whether to give up.

        Raises:
            JournalError: as `hand_over`.
        """
        self.flush()
        while not self._journal.readable:
            if stopped():
                return False
            await asyncio.sleep(_READABLE_SECONDS)
            self.flush()
        return True

    @property
    def unsaved(self) -> str:
        """What of it is not on the disk, in words; for any thread."""
        since = self._journal.waiting_since
        if since is None:
            return "the journal is on the disk"
        age = (self._clock() - since) / 1e9
        waiting = self._journal.waiting
        return f"the last {age:.1f} s of the journal, {waiting:,} bytes, are not known to be on the disk"

    @property
    def trouble(self) -> str:
        """Why what is written now only waits in memory; empty while it does not."""
        since = self._journal.waiting_since
        late = since is not None and self._clock() - since > STALLED_NS
        if self._journal.trouble is None and not late:
            return ""
        return next(filter(None, self.alarms().values()), "")

    def alarms(self, *, derived: str = "") -> dict[AlarmKind, str]:
        """Return the text of each alarm about the disk, empty where there is none.

        Args:
            derived: why arrays and record could not be written; empty if they were.
        """
        trouble, since = self._journal.trouble, self._journal.waiting_since
        age = 0 if since is None else self._clock() - since
        waits = f"the last {age / 1e9:.0f} s, {self._journal.waiting / 1e6:.1f} MB, wait in memory"
        if self._losses.size:
            waits += f", {self._losses.size / 1e6:.1f} MB are lost"
        full = fails = stalled = ""
        if trouble is not None and trouble.full:
            full = f"{trouble.text}; {waits}"
        elif trouble is not None:
            fails = f"{trouble.text}; {waits}"
        elif age > STALLED_NS:
            stalled = f"the disk has not answered for {age / 1e9:.0f} s; {waits}"
        elif derived:
            fails = f"arrays and record are older than the journal: {derived}"
        return {
            AlarmKind.DISK_FULL: full,
            AlarmKind.DISK_FAILS: fails,
            AlarmKind.DISK_STALLED: stalled,
        }
