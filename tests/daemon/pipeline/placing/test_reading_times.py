"""What is known of the readings around a sample, where deliveries differ."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.reading_times import ReadingTimes, Settled
from swathe.pipeline.placing.timing import Timing

MS = 1_000_000


def settled(
    readings_ms: list[int],
    at_ms: int,
    *,
    smear_ms: int | list[int],
    missing: list[int] | None = None,
    sample_smear_ms: int = 0,
) -> Settled:
    """Return what is known of a sample at a time, of readings that arrived at these times."""
    made = ReadingTimes(50 * MS)
    times = np.array(readings_ms, np.int64) * MS
    n = times.size
    smear = np.full(n, smear_ms) * MS
    lost = np.zeros(n, np.int64) if missing is None else np.array(missing, np.int64)
    made.add(times, times, Timing(times, times, lost, np.zeros(n, np.int64), smear))
    at = np.array([at_ms * MS])
    return made.settle(at, at, 0, np.array([sample_smear_ms * MS]))


EVERY_10_MS = [*range(0, 201, 10)]


def test_silence_longer_than_deliveries_differ_is_silence() -> None:
    """Four usual intervals are a silence only beyond twice the time by which deliveries differ."""
    hole = [*EVERY_10_MS, 265, 275]
    assert settled(hole, 230, smear_ms=0).silent.tolist() == [True]
    assert settled(hole, 230, smear_ms=12).silent.tolist() == [True]
    assert settled(hole, 230, smear_ms=13).silent.tolist() == [False]


def test_smear_is_the_longest_of_the_readings_around() -> None:
    """That of the reading before, of the one after and of the sample itself count."""
    before = [0] * 20 + [7, 0]
    after = [0] * 21 + [7]
    assert settled([*EVERY_10_MS, 210], 205, smear_ms=before).smear.tolist() == [7 * MS]
    assert settled([*EVERY_10_MS, 210], 205, smear_ms=after).smear.tolist() == [7 * MS]
    found = settled([*EVERY_10_MS, 210], 205, smear_ms=3, sample_smear_ms=9)
    assert found.smear.tolist() == [9 * MS]


def test_inside_a_silence_is_away_from_its_ends() -> None:
    """So long after the last reading and before the next that neither can have been taken there."""
    hole = [*EVERY_10_MS, 400, 410]
    for at, inside in ((204, False), (205, True), (395, True), (396, False)):
        assert settled(hole, at, smear_ms=5).inside.tolist() == [inside], at
    assert settled(hole, 395, smear_ms=0, sample_smear_ms=6).inside.tolist() == [False]


def test_lost_reading_makes_no_silence_around_samples() -> None:
    """A lost reading belongs to the cell of its own time, not to what is around the next sample."""
    lost = [0] * 21 + [1]
    found = settled([*EVERY_10_MS, 220], 210, smear_ms=5, missing=lost)
    assert (found.silent.tolist(), found.inside.tolist()) == ([False], [False])


def test_no_reading_since_is_inside_a_silence() -> None:
    """A gauge that sends nothing any more is silent whatever its deliveries were."""
    made = ReadingTimes(50 * MS)
    times = np.array(EVERY_10_MS, np.int64) * MS
    made.add(times, times, Timing.of(times, times, smear=20 * MS))
    at = np.array([500 * MS])
    found = made.settle(at, at, 0)
    assert (found.silent.tolist(), found.inside.tolist()) == ([True], [True])


def made(times: list[int], missing: list[int], known: list[int] | None = None) -> ReadingTimes:
    """Return readings at times in ms, each with so many missing before it."""
    taken = ReadingTimes(100 * MS)
    at = np.array(times) * MS
    when = at if known is None else np.array(known) * MS
    taken.add(at, when, Timing.of(at, when, np.array(missing)))
    return taken


def lost(taken: ReadingTimes, samples: list[int], settled: list[int]) -> list[float]:
    """Return the lost readings' times in ms."""
    found = taken.lost(np.array(samples) * MS, np.array(settled) * MS)
    return [time / MS for time in found.tolist()]


def test_lost_readings_are_evenly_between_those_around() -> None:
    """Two are missing between 4 and 16 ms: at 8 and at 12."""
    taken = made([0, 4, 16, 20], [0, 0, 2, 0])
    assert lost(taken, [0, 10, 20], [0, 16, 20]) == [8.0, 12.0]


@pytest.mark.parametrize(("samples", "found"), [([8, 20], [12.0]), ([0, 8], [8.0]), ([12, 16], [])])
def test_lost_readings_are_those_after_the_first_sample(
    samples: list[int], found: list[float]
) -> None:
    """The first sample is that of the piece before, the last one belongs to the piece."""
    taken = made([0, 4, 16, 20], [0, 0, 2, 0])
    assert lost(taken, samples, [99, 99]) == found


def test_loss_that_shows_after_the_path_settled_is_left_out() -> None:
    """By the reading behind it, which is known 50 ms later, a live run learns of it too late."""
    taken = made([0, 4, 12], [0, 0, 1], [0, 4, 62])
    assert lost(taken, [0, 10], [0, 61]) == []
    assert lost(taken, [0, 10], [0, 62]) == [8.0]


def test_first_reading_shows_no_loss() -> None:
    """Without a reading before it nothing tells when the lost ones would have been taken."""
    assert lost(made([8, 12], [3, 0]), [0, 10], [99, 99]) == []


def late(missing: int = 0, *, damaged: bool = False) -> ReadingTimes:
    """Return readings each 10 ms until 100 ms, and those of 110 and 200 ms, which come at 400 ms."""
    taken = ReadingTimes(100 * MS)
    at = np.array([*range(0, 101, 10), 110, 200]) * MS
    came = np.append(at[:-2], [400 * MS] * 2)
    if damaged:
        taken.unread.add([400 * MS])
    lost_before = np.append(np.zeros(at.size - 2, np.int64), [missing, 0])
    taken.add(at, came, Timing.of(at, came, lost_before))
    return taken


def doubts(taken: ReadingTimes) -> list[tuple[int, int, int, bool]]:
    """Return begin, end and journal time in ms, and whether readings are unread."""
    found: list[tuple[int, int, int, bool]] = []
    for one in taken.doubts:
        begin, end, known = ((ns // MS).tolist() for ns in (one.begin, one.end, one.known))
        found += zip(begin, end, known, one.unread.tolist(), strict=True)
    return found


def test_late_reading_shows_that_the_time_before_it_was_no_silence() -> None:
    """That of 110 ms follows its usual interval; the hole behind it is one, unless bytes were damaged."""
    assert doubts(late()) == [(100.0, 110.0, 400.0, False)]
    assert doubts(late(damaged=True)) == [(100.0, 110.0, 400.0, False), (110.0, 200.0, 400.0, True)]


def test_reading_that_is_lost_by_its_number_is_none() -> None:
    """What it does to its cell is decided by its number."""
    assert doubts(late(missing=1)) == []


def test_reading_in_time_shows_nothing() -> None:
    """Also behind a long silence, and the very first one."""
    assert doubts(made([0, 10, 20, 30, 500, 510], [0] * 6)) == []
    taken = ReadingTimes(100 * MS)
    taken.add(np.array([0]), np.array([900 * MS]))
    assert doubts(taken) == []
