"""What waits in memory is bounded: beyond it a port counts as lost, and its bytes are counted."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from swathe.errors import JournalError
from swathe.journal import Chunk, Entry, JournalWriter, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.steady_file import DiskTrouble
from swathe.live.disk import DiskLosses
from swathe.live.kept_journal import KeptJournal
from swathe.live.loop_watch import LoopWatch
from swathe.station import AlarmKind

S = 1_000_000_000


class Waiting:
    """A journal of which so many bytes wait."""

    def __init__(self) -> None:
        self.waiting = 0


def losses(journal: Waiting) -> DiskLosses:
    """Return the bound of 1 MB, and of half of it for the way back."""
    return DiskLosses(cast("JournalWriter", journal), most=1 << 20, enough=1 << 19)


def chunk(seconds: float, port: str = "gauge", size: int = 10) -> Chunk:
    """Return bytes of a port."""
    return Chunk(round(seconds * S), port, b"x" * size)


def test_entries_pass_while_little_waits() -> None:
    """Whatever it is, it is journalled as it is."""
    bound = losses(Waiting())
    entries: list[Entry] = [chunk(1), Tick(S), PortChange(S, "gauge", "open", "")]
    assert [bound.take(entry) for entry in entries] == [[entry] for entry in entries]


def test_port_beyond_the_bound_is_lost_and_open_again_with_its_count() -> None:
    """Two entries of the journal are around the bytes that it does not have."""
    journal = Waiting()
    bound = losses(journal)
    journal.waiting = (1 << 20) + 1
    (lost,) = bound.take(chunk(1, size=100))
    assert isinstance(lost, PortChange)
    assert (lost.time, lost.port, lost.state) == (S, "gauge", "lost")
    assert lost.detail == "the disk takes nothing and 1 MB wait: bytes are not kept"
    assert bound.take(chunk(2, size=1000)) == []
    assert bound.take(Sent(2 * S, "gauge", b"?", unanswered=False)) == []
    assert bound.size == 1100
    journal.waiting = (1 << 19) + 1  # not enough room yet
    assert bound.take(chunk(3)) == []
    journal.waiting = 1 << 19
    last = chunk(3.5)
    back, kept = bound.take(last)
    assert kept is last
    assert isinstance(back, PortChange)
    assert (back.time, back.state) == (last.time, "open")
    assert back.detail == "the disk has room: 1,110 bytes of 2.5 s were not kept"
    assert bound.size == 0
    assert bound.take(chunk(4)) == [chunk(4)]


def test_each_port_is_lost_for_itself_and_marks_never_are() -> None:
    """A mark is small and the run's own; what another port sends is not the first one's loss."""
    journal = Waiting()
    bound = losses(journal)
    journal.waiting = 2 << 20
    bound.take(chunk(1, "gauge"))
    mark = Mark(S, MarkKind.NOTE, {"text": "x"})
    assert bound.take(mark) == [mark]
    (lost,) = bound.take(chunk(1, "encoder"))
    assert isinstance(lost, PortChange)
    assert lost.port == "encoder"


def test_port_that_opens_while_its_bytes_are_not_kept_is_not_open_in_the_journal() -> None:
    """Else the bytes after it would be taken for those that followed."""
    journal = Waiting()
    bound = losses(journal)
    journal.waiting = 2 << 20
    bound.take(chunk(1))
    assert bound.take(PortChange(2 * S, "gauge", "open", "")) == []
    gone = PortChange(3 * S, "gauge", "lost", "unplugged")
    assert bound.take(gone) == [gone]
    other = PortChange(3 * S, "encoder", "open", "")
    assert bound.take(other) == [other]


def test_what_was_lost_until_the_end_of_a_run_is_journalled() -> None:
    """Not only what was lost before there was room again."""
    journal = Waiting()
    bound = losses(journal)
    journal.waiting = 2 << 20
    bound.take(chunk(1, size=70))
    (rest,) = bound.rest(3 * S)
    assert rest == PortChange(3 * S, "gauge", "lost", "70 bytes of 2.0 s were not kept")
    assert bound.rest(3 * S) == []


def test_late_round_of_the_loop_is_shown_for_a_while() -> None:
    """With how long and how often; a round within a second is none."""
    watch = LoopWatch()
    for now in (0, S, 2 * S):
        watch.note(now)
    assert watch.stalls == 0
    assert watch.text(2 * S) == ""
    watch.note(2 * S + S + 1)
    watch.note(7 * S)
    assert watch.stalls == 2
    assert watch.text(8 * S).startswith(
        "the daemon itself was held up for 4.0 s; 2 times in this run"
    )
    watch.note(17 * S - 1)
    assert "for 10.0 s; 3 times" in watch.text(17 * S)
    assert watch.text(27 * S) == ""


class Slow(Waiting):
    """A journal whose oldest bytes wait since a moment, on a disk that refuses nothing."""

    trouble: DiskTrouble | None = None
    waiting_since: int | None = None


def test_disk_is_stalled_once_what_waits_is_two_seconds_old() -> None:
    """An alarm and a trouble of its own, with the age; none while it answers."""
    journal, now = Slow(), [0]
    kept = KeptJournal(cast("JournalWriter", journal), clock=lambda: now[0])
    assert not any(kept.alarms().values())
    journal.waiting, journal.waiting_since, now[0] = 3_000_000, S, 3 * S
    assert kept.trouble == ""
    now[0] += 1
    assert kept.alarms()[AlarmKind.DISK_STALLED] == kept.trouble
    now[0] = 9 * S
    assert kept.trouble == (
        "the disk has not answered for 8 s; the last 8 s, 3.0 MB, wait in memory"
    )
    assert kept.unsaved.startswith("the last 8.0 s of the journal, 3,000,000 bytes, are not known")
    journal.waiting_since = None
    assert kept.trouble == ""
    assert kept.unsaved == "the journal is on the disk"


class Refusing(Slow):
    """A journal whose sync is refused until it is allowed."""

    def __init__(self) -> None:
        super().__init__()
        self.allowed = False
        self.entries = 0
        self.syncs = 0

    def write(self, entry: Entry) -> None:
        """Take an entry."""

    def flush(self) -> None:
        """Hand it over."""

    def sync(self) -> None:
        """Refuse, or not."""
        self.syncs += 1
        if not self.allowed:
            self.trouble = DiskTrouble(full=True, text="No space left", since=0)
            raise JournalError(Path("0001.mcap"), "cannot be written")
        self.trouble = None


async def test_refused_sync_is_tried_again_though_nothing_new_was_written() -> None:
    """Twice a second, until the disk takes it; then there is nothing left to sync."""
    journal, now = Refusing(), [0]
    kept = KeptJournal(cast("JournalWriter", journal), clock=lambda: now[0])
    kept.write(Tick(1))
    for expected, moment in ((1, 0), (1, S // 4), (2, S), (2, S + S // 4)):
        now[0] = moment
        kept.flush()
        if kept.syncing is not None:
            await kept.syncing
            kept.flush()
        assert journal.syncs == expected
    journal.allowed, now[0] = True, 3 * S
    await kept.synced()
    assert journal.syncs == 3
    kept.flush()
    assert kept.syncing is None
