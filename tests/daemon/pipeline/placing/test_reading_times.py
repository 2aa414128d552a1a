"""What is known of the readings around a sample, where deliveries differ."""

from __future__ import annotations

import numpy as np

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


def test_lost_reading_is_silence_but_not_inside_one() -> None:
    """A number that is missing shows a loss, not at which of the places around it."""
    lost = [0] * 21 + [1]
    found = settled([*EVERY_10_MS, 220], 210, smear_ms=5, missing=lost)
    assert (found.silent.tolist(), found.inside.tolist()) == ([True], [False])


def test_no_reading_since_is_inside_a_silence() -> None:
    """A gauge that sends nothing any more is silent whatever its deliveries were."""
    made = ReadingTimes(50 * MS)
    times = np.array(EVERY_10_MS, np.int64) * MS
    made.add(times, times, Timing.of(times, times, smear=20 * MS))
    at = np.array([500 * MS])
    found = made.settle(at, at, 0)
    assert (found.silent.tolist(), found.inside.tolist()) == ([True], [True])
