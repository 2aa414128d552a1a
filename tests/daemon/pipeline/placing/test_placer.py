"""Readings between encoder samples: placed alike however the samples and readings arrive."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.strategies import readings
from swathe.pipeline.placing.placer import Placer
from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack

MS = 1_000_000
BRACKET = 250 * MS
LATENESS = 100 * MS

Samples = list[tuple[int, float]]


def placer(*, index: EncodedTrack | None = None) -> Placer:
    """Return a placer on a line profile, or with an encoded index axis."""
    return Placer(
        scan=EncodedTrack(bracket_ns=BRACKET),
        index=index or SteppedTrack(start=0.0, step=1.0, lines=1),
        bracket_ns=BRACKET,
        lateness_ns=LATENESS,
    )


def append(track: EncodedTrack, samples: Samples) -> None:
    """Add samples in (ms, mm)."""
    track.append(
        np.array([ms * MS for ms, _ in samples], np.int64), np.array([mm for _, mm in samples])
    )


def by_hand(samples: Samples, ms: int) -> float | None:
    """Return the position at `ms`, None where no pair of samples tells it."""
    found = dict(samples).get(ms)
    for (t0, x0), (t1, x1) in pairwise(samples):
        if t0 < ms < t1 and ((t1 - t0) * MS <= BRACKET or x0 == x1):
            found = x0 + (x1 - x0) * (ms - t0) / (t1 - t0)
    return found


def go(made: Placer, now: int) -> list[tuple[int, float]]:
    """Let a tick go by at `now` ms; return the readings placed as (ms, mm)."""
    made.now = now * MS
    placed = made.place()
    made.take_path()
    return list(zip((placed.readings["time"] // MS).tolist(), placed.scan.tolist(), strict=True))


@given(
    steps=st.lists(st.tuples(st.integers(1, 400), st.integers(-9, 9)), min_size=1, max_size=30),
    at=st.lists(st.integers(0, 3000), max_size=30, unique=True),
    every=st.integers(1, 300),
    held_back=st.integers(0, 90),
)
def test_place_in_chunks_as_by_hand_and_all_at_once(
    steps: list[tuple[int, int]], at: list[int], every: int, held_back: int
) -> None:
    """Ticks of any length, readings late or not, forgetting on the way: the same places."""
    times = np.cumsum([step for step, _ in steps]).tolist()
    samples: Samples = [(t, float(x)) for t, (_, x) in zip(times, steps, strict=True)]
    moments = sorted(at)

    live = placer()
    found: list[tuple[int, float]] = []
    before = -1
    for now in range(0, 4001, every):
        append(live.scan, [s for s in samples if before < s[0] <= now])
        due = [ms for ms in moments if before - held_back < ms <= now - held_back]
        if due:
            live.add_readings(readings([ms * MS for ms in due]))
        found += go(live, now)
        before = now
    rest = [ms for ms in moments if ms > before - held_back]
    append(live.scan, [s for s in samples if s[0] > before])
    if rest:
        live.add_readings(readings([ms * MS for ms in rest]))
    found += go(live, 20_000)

    expected = {ms: by_hand(samples, ms) for ms in moments}
    # A pause of the encoder that ends at the very place where it began is only known to have been
    # a stand-still once it has ended; by then the readings in it may have been given up.
    given_up = {
        ms
        for ms in moments
        for (t0, _), (t1, _) in pairwise(samples)
        if t0 < ms < t1 and (t1 - t0) * MS > BRACKET
    }
    placed = dict(found)
    assert len(placed) == len(found)
    for ms in moments:
        if ms in given_up and ms not in placed:
            continue
        assert placed.get(ms) == (
            None if expected[ms] is None else pytest.approx(expected[ms], abs=1e-9)
        )
    assert live.unplaced == len(moments) - len(found)
    assert live.pending == 0

    once = placer()
    append(once.scan, samples)
    if moments:
        once.add_readings(readings([ms * MS for ms in moments]))
    at_once = dict(go(once, 20_000))
    assert {ms: at_once[ms] for ms in at_once if ms not in given_up} == pytest.approx(
        {ms: placed[ms] for ms in placed if ms not in given_up}
    )


def test_place_waits_for_its_bracket_then_gives_up() -> None:
    """A reading waits for the sample after it, and is counted once none can come any more."""
    made = placer()
    append(made.scan, [(0, 0.0), (100, 10.0)])
    made.add_readings(readings([50 * MS, 150 * MS]))
    assert dict(go(made, 200)) == pytest.approx({50: 5.0})
    assert made.pending == 1
    assert go(made, 500) == []
    assert (made.pending, made.unplaced) == (1, 0)
    assert go(made, 501) == []
    assert (made.pending, made.unplaced) == (0, 1)


def test_place_without_any_encoder_nothing_is_guessed() -> None:
    """Readings without an encoder are unplaced, and no way is known."""
    made = placer()
    made.add_readings(readings([10 * MS]))
    assert go(made, 1000) == []
    assert made.unplaced == 1
    assert made.take_path() is None


def test_place_needs_a_bracket_on_both_axes() -> None:
    """With two encoders the slower one decides; a pause of either leaves readings unplaced."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    append(made.scan, [(ms, ms / 10) for ms in range(0, 601, 10)])
    append(index, [(0, 0.0), (200, 1.0), (600, 2.0)])
    made.add_readings(readings([100 * MS, 400 * MS]))
    assert dict(go(made, 2000)) == pytest.approx({100: 10.0})
    assert made.unplaced == 1


def test_place_out_of_order_readings_come_in_order_of_time() -> None:
    """What arrived out of order within a tick is put into order."""
    made = placer()
    append(made.scan, [(0, 0.0), (100, 10.0)])
    made.add_readings(readings([80 * MS, 20 * MS]))
    made.add_readings(readings([50 * MS]))
    assert [ms for ms, _ in go(made, 200)] == [20, 50, 80]


def test_place_combined_needs_no_bracket() -> None:
    """A reading with its own place is placed at once; one whose place was no good is not."""
    made = placer()
    placed = made.place_combined(
        readings([5 * MS, 6 * MS]), np.array([1.25, np.nan]), np.array([0.0, 0.0])
    )
    assert placed.scan.tolist() == [1.25]
    assert made.unplaced == 1
    assert made.pending == 0


def test_way_is_told_once_and_up_to_the_last_reading() -> None:
    """The way goes no further than readings are in, and each piece joins the one before."""
    made = placer()
    append(made.scan, [(ms, ms / 10) for ms in range(0, 301, 10)])
    made.add_readings(readings([ms * MS for ms in range(0, 201, 10)]))
    made.now = 220 * MS
    first = made.take_path()
    assert first is not None
    assert (first.time[0], first.time[-1]) == (0, 200 * MS)
    assert first.known.tolist() == [False] + [True] * 20
    assert not first.silent.any()
    assert made.take_path() is None
    made.now = 450 * MS  # nothing was heard of the gauge for long enough
    second = made.take_path()
    assert second is not None
    assert (second.time[0], second.time[-1]) == (200 * MS, 300 * MS)
    assert second.known.all()
    assert second.silent.tolist() == [False] + [True] * 10


def test_memory_of_a_long_run_is_bounded() -> None:
    """Ten minutes at 200 samples and readings a second hold no more than two seconds of them."""
    made = placer()
    for second in range(600):
        times = range(second * 1000, (second + 1) * 1000, 5)
        append(made.scan, [(ms, ms / 10) for ms in times])
        made.add_readings(readings([ms * MS for ms in times]))
        go(made, (second + 1) * 1000)
    assert made.scan.times.size < 400
    assert made._reading_times.size < 400
    assert made.pending < 10
