"""Damaged bytes of an encoder that is silent at rest: its silence says nothing then."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
import pytest

from daemon.handmade import MS, START, port, ticks
from daemon.pipeline.placing.test_lost_position import (
    Seen,
    entries,
    last_placed,
    misplaced,
    survey,
)
from swathe.journal import Chunk, Entry
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.arrivals import parts_of
from swathe.pipeline.placing.axis_samples import WaitingSamples
from swathe.pipeline.placing.damaged_lines import DamagedLines, RestEnds
from swathe_drivers import Batch, Fault, FaultReason
from swathe_drivers.records import MAX_FAULTS, position_dtype

LATENESS = 100  # ms, by default
Damage = Callable[[bytes], bytes]

FIRST_BYTE: Damage = lambda data: b"Q" + data[1:]  # noqa: E731
NO_END: Damage = lambda data: data[:-2]  # noqa: E731
DAMAGES = [FIRST_BYTE, NO_END, lambda data: data.replace(b",", b"3", 1)]


def damaged(first: int, last: int, damage: Damage, end: int = 600) -> Iterator[Entry]:
    """Yield a scan at 100 mm/s whose encoder's lines are damaged from one ms on, before another."""
    for entry in entries(lambda _, count: count, end):
        ms = (entry.time - START) // MS
        if isinstance(entry, Chunk) and entry.port == "encoder" and first <= ms < last:
            yield Chunk(entry.time, entry.port, damage(entry.data))
        else:
            yield entry


def scanned(scan: Iterable[Entry], end: int = 600) -> tuple[Pipeline, Seen]:
    """Return a survey with such an encoder, which ticks for 300 ms more."""
    begin = [port(0, "encoder", "open")]
    return survey(begin, scan, ticks(end + 50, end + 300), encoder="on_change = true")


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("length", [20, 240])
def test_no_reading_is_placed_where_the_probe_is_not_known_to_rest(
    damage: Damage, length: int
) -> None:
    """However the lines are damaged, and for how long; it was 12.8 mm off after 240 ms."""
    _, seen = scanned(damaged(300, 300 + length, damage))
    times = (np.array(seen.times) - START) / MS
    assert misplaced(seen) < 0.5
    assert times[(times > 280) & (times < 300)].size or length > LATENESS
    assert not times[(times > 295) & (times < 300 + length - 1)].size
    assert times[(times > 300 + length + 25) & (times < 600)].size


def test_silence_after_damaged_bytes_is_no_rest() -> None:
    """The last lines of a motion are damaged: where it ended nobody knows, and no place is shown."""
    made, seen = scanned(damaged(500, 601, FIRST_BYTE))
    assert last_placed(seen) <= 500
    assert made.position[0] is None
    assert "were no record" in (made.no_reference("scan") or "")


def test_silence_after_a_good_record_is_a_rest() -> None:
    """Damage that is over does not matter any more."""
    made, seen = scanned(damaged(500, 580, FIRST_BYTE))
    assert made.position[0] is not None
    assert "were no record" not in (made.no_reference("scan") or "")
    assert last_placed(seen) > 550


def test_line_without_its_end_is_no_silence() -> None:
    """Bytes of which it is not decided whether they are a line: they may be the last one's."""
    made, seen = scanned(damaged(600, 601, NO_END))
    assert last_placed(seen) <= 600
    assert made.position[0] is None


def test_rest_before_damaged_bytes_is_a_rest() -> None:
    """A probe that rests for 400 ms, then a damaged line: what was before is placed."""
    scan = [
        entry
        for entry in damaged(600, 601, FIRST_BYTE)
        if not (isinstance(entry, Chunk) and entry.port == "encoder")
        or not START + 200 * MS <= entry.time < START + 600 * MS
    ]
    _, seen = scanned(scan)
    assert last_placed(seen) == pytest.approx(600 - LATENESS, abs=8)


def test_what_came_at_one_time_is_decoded_by_itself() -> None:
    """Of such an encoder, so that faults of one time only may be too many to be described."""
    chunks = [(1, b"a"), (2, b"b"), (2, b"c"), (3, b"d")]
    assert list(parts_of(chunks, each=True)) == [(0, 1), (1, 3), (3, 4)]
    assert list(parts_of(chunks)) == [(0, 4)]


def batch(records: list[int], faults: list[int], size: int, *, more: int = 0) -> Batch:
    """Return a batch with these offsets that accounts for so many bytes."""
    positions = np.zeros(len(records), position_dtype(1))
    positions["offset"] = records
    found = tuple(Fault(at, 1, FaultReason.CHECKSUM, b"", "") for at in faults)
    return Batch(
        positions=positions,
        positions_known_at=np.full(len(records), 10**6),
        faults=found,
        n_faults={FaultReason.CHECKSUM: len(faults) + more},
        record_bytes=size,
    )


def released(made: DamagedLines, *records: int) -> tuple[list[int], list[bool]]:
    """Return what is before records at these offsets."""
    until, lost = made.release(batch(list(records), [], 0))
    return until.tolist(), lost.tolist()


def test_fault_is_before_the_record_behind_it() -> None:
    """Whenever the records are released; its time is that of its first byte."""
    made = DamagedLines(1000)
    made.take(batch([1000], [], 8), 10, 1)  # two bytes are not decided
    assert made.since == 1
    made.take(batch([1020], [1008, 1015], 20), 20, 2)
    made.take(batch([1030, 1045], [1040], 22), 20, 3)
    assert made.since == 1
    assert released(made, 1000) == ([1], [False])
    assert released(made, 1020, 1030, 1045) == ([1, 3, 3], [True, False, True])
    assert made.since is None


def test_fault_behind_the_last_record_holds() -> None:
    """Until one is released that is behind it."""
    made = DamagedLines(0)
    made.take(batch([0], [8, 12], 16), 16, 5)
    assert released(made, 0) == ([5], [False])
    assert made.since == 5
    made.take(batch([16], [], 8), 8, 9)
    assert made.since == 5
    assert released(made, 16) == ([5], [True])
    assert made.since is None


def test_faults_that_are_only_counted_are_before_all_records() -> None:
    """A batch describes the newest ones."""
    made = DamagedLines(0)
    made.take(batch([0], [], 8), 8, 1)
    released(made, 0)
    made.take(batch([8, 900], list(range(800, 800 + MAX_FAULTS)), 900, more=1), 900, 2)
    assert released(made, 8, 900) == ([2, 2], [True, True])


def waiting(rested: list[int], lost: list[bool]) -> WaitingSamples:
    """Return samples of which only that is known."""
    times = np.array(rested, np.int64)
    none = np.zeros(times.shape, np.int64)
    return WaitingSamples(
        times, np.zeros(times.shape), none > 0, times, none, none, times, np.array(lost)
    )


@pytest.mark.parametrize("cut", range(6))
def test_damage_before_a_sample_that_is_not_good_is_before_the_next_good_one(cut: int) -> None:
    """However the samples are cut."""
    samples = waiting([10, 20, 30, 40, 50], [False, True, False, False, False])
    good = np.array([True, False, False, True, True])
    made = RestEnds()
    parts = [made.before(samples[rows], good[rows]) for rows in (slice(cut), slice(cut, None))]
    until, lost = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    assert until[good].tolist() == [10, 20, 50]
    assert lost[good].tolist() == [False, True, False]
    assert made.since is None


def test_rest_ends_at_the_first_that_came() -> None:
    """Bytes that may be no record, a sample that waits, damage before one that was not good."""
    made = RestEnds()
    none = waiting([], [])
    assert made.end(100, None, none) == 100
    assert made.end(100, 70, waiting([60], [False])) == 60
    assert made.end(100, 50, waiting([60], [False])) == 50
    made.before(waiting([40], [True]), np.array([False]))
    assert made.end(100, 50, none) == 40
    assert made.holds(none)
