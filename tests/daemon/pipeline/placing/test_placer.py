"""Readings between encoder samples: placed alike however the samples and readings arrive."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.strategies import readings
from swathe.pipeline.placing.placer import Placer
from swathe.pipeline.placing.timing import Timing
from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack
from swathe.station import CarriageProbe, ProbeArray
from swathe_drivers.records import READING

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
    made.take_path(now * MS)
    placed = made.place(now * MS)
    made.forget(now * MS)
    return list(zip((placed.readings["time"] // MS).tolist(), placed.scan.tolist(), strict=True))


@pytest.mark.slow
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
    assert made.take_path(1000 * MS) is None


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
    first = made.take_path(220 * MS)
    assert first is not None
    assert (first.time[0], first.time[-1]) == (0, 200 * MS)
    assert first.known.tolist() == [False] + [True] * 20
    assert not first.silent.any()
    assert made.take_path(220 * MS) is None
    second = made.take_path(450 * MS)  # nothing was heard of the gauge for long enough
    assert second is not None
    assert (second.time[0], second.time[-1]) == (200 * MS, 300 * MS)
    assert second.known.all()
    assert second.silent.tolist() == [False] + [True] * 10


def test_memory_of_a_long_run_is_bounded() -> None:
    """Ten minutes at 200 samples and readings a second hold some ten seconds of them."""
    made = placer()
    for second in range(600):
        times = range(second * 1000, (second + 1) * 1000, 5)
        append(made.scan, [(ms, ms / 10) for ms in times])
        made.add_readings(readings([ms * MS for ms in times]))
        go(made, (second + 1) * 1000)
    assert made.scan.times.size < 2310
    assert len(made.probe_times.of[0]) < 2310
    assert made.pending < 10


def test_path_is_unknown_across_a_reset_and_where_the_index_is() -> None:
    """No path leads to a position reset, nor to a sample at which the index axis is unknown."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    times = np.array([0, 10, 20, 30, 40], np.int64) * MS
    resets = np.array([False, False, True, False, False])
    made.scan.append(times, np.array([0.0, 1.0, 50.0, 51.0, 52.0]), resets)
    append(index, [(10, 5.0), (20, 5.0), (30, 5.0), (40, 5.0)])
    made.add_readings(readings([ms * MS for ms in range(0, 41, 5)]))
    path = made.take_path(50 * MS)
    assert path is not None
    assert path.known.tolist() == [False, True, False, True, True]
    assert path.resets.tolist() == resets.tolist()
    assert path.index[1:].tolist() == [5.0] * 4


def test_path_between_samples_too_far_apart_is_unknown_unless_the_axis_rests() -> None:
    """Beyond the bracket the path is known only where the position did not change."""
    made = placer()
    bracket = BRACKET // MS
    append(made.scan, [(0, 0.0), (bracket, 1.0), (2 * bracket + 1, 2.0), (4 * bracket, 2.0)])
    made.add_readings(readings([ms * MS for ms in range(0, 4 * bracket + 1, 50)]))
    path = made.take_path(5 * bracket * MS)
    assert path is not None
    assert path.known.tolist() == [False, True, False, True]


def test_path_from_line_to_line_is_unknown() -> None:
    """On a stepped index axis the probe is carried from line to line."""
    steps = SteppedTrack(start=0.0, step=5.0, lines=3)
    made = Placer(
        scan=EncodedTrack(bracket_ns=BRACKET), index=steps, bracket_ns=BRACKET, lateness_ns=LATENESS
    )
    steps.step_to(1, 25 * MS)
    append(made.scan, [(ms, ms / 10) for ms in (0, 10, 20, 30, 40)])
    made.add_readings(readings([ms * MS for ms in range(0, 41, 5)]))
    path = made.take_path(50 * MS)
    assert path is not None
    assert path.index.tolist() == [0.0, 0.0, 0.0, 5.0, 5.0]
    assert path.known.tolist() == [False, True, True, False, True]


def test_slow_gauge_is_waited_for() -> None:
    """A gauge with a reading each 150 ms is not silent before 300 ms without one."""
    made = placer()
    append(made.scan, [(ms, ms / 10) for ms in range(0, 1001, 50)])
    made.add_readings(readings([ms * MS for ms in (0, 150, 300, 450)]))
    path = made.take_path(700 * MS)  # 250 ms after the last reading
    assert path is not None
    assert path.time[-1] == 450 * MS
    later = made.take_path(800 * MS)
    assert later is not None
    assert later.time[-1] == 500 * MS


def oldest(made: Placer) -> int | None:
    """Return the first byte offset that waits; None when none does."""
    return int(made.waiting["offset"].min()) if made.waiting.size else None


def test_oldest_pending_is_the_first_offset_that_waits() -> None:
    """Waveforms before that offset may be dropped."""
    made = placer()
    waiting = [oldest(made)]
    late = readings([30 * MS, 20 * MS, 10 * MS])
    late["offset"] = [7, 9, 11]
    made.add_readings(late)
    waiting += [oldest(made), made.pending]
    append(made.scan, [(0, 0.0), (25, 2.5)])
    assert go(made, 40) == [(10, 1.0), (20, 2.0)]
    assert [*waiting, oldest(made), made.pending] == [None, 7, 3, 7, 1]


@pytest.mark.parametrize("reset_at", [11, 15, 20])
def test_path_is_unknown_across_a_reset_of_the_index_axis(reset_at: int) -> None:
    """A reset between two samples of the scan axis parts them as well, whichever device sends it."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    append(made.scan, [(ms, ms / 10) for ms in (0, 10, 20, 30)])
    append(index, [(0, 5.0), (10, 5.0)])
    index.append(np.array([reset_at * MS]), np.array([9.0]), np.array([True]))
    append(index, [(30, 9.0)])
    made.add_readings(readings([ms * MS for ms in range(0, 31, 5)]))
    path = made.take_path(40 * MS)
    assert path is not None
    assert path.resets.tolist() == [False, False, True, False]
    assert path.known.tolist() == [False, True, False, True]
    assert path.index.tolist() == [5.0, 5.0, 9.0, 9.0]


def known_positions(made: Placer, now: int) -> tuple[list[int], list[bool]]:
    """Return the times, ms, of the path up to `now` ms, and whether it is known to each."""
    path = made.take_path(now * MS)
    assert path is not None
    return (path.time // MS).tolist(), path.known.tolist()


@pytest.mark.parametrize(("pause", "silent"), [(10, False), (40, False), (41, True)])
def test_gauge_is_silent_after_four_of_its_intervals(pause: int, silent: bool) -> None:
    """With a reading every 10 ms, 40 ms without one are a slow gauge and 41 ms a silent one."""
    made = placer()
    append(made.scan, [(0, 0.0), (20, 2.0), (21, 2.1), (25, 2.5), (60, 6.0), (61, 6.1)])
    made.add_readings(readings([ms * MS for ms in (0, 10, 20, 20 + pause, 30 + pause)]))
    path = made.take_path(100 * MS)
    assert path is not None
    around = (path.time > 20 * MS) & (path.time <= (20 + pause) * MS)
    assert path.silent[around].tolist() == [silent] * int(around.sum())
    assert not path.silent[:2].any()


def test_gauge_that_sends_no_more_is_silent_from_its_last_reading_on() -> None:
    """Without a reading after a sample the gauge was silent until the sample was settled."""
    made = placer()
    append(made.scan, [(ms, 0.0) for ms in (0, 10, 15, 20, 25, 120)])
    made.add_readings(readings([10 * MS, 20 * MS]))
    path = made.take_path(500 * MS)
    assert path is not None
    assert path.silent.tolist() == [False, False, False, False, True, True]
    # Settled with the reading after it, and without one after the lateness.
    assert (path.settled // MS).tolist() == [10, 10, 20, 20, 125, 220]


def test_gauge_without_any_reading_was_silent_throughout() -> None:
    """A gauge that has sent nothing was silent, whatever is usual."""
    made = placer()
    append(made.scan, [(0, 0.0), (10, 1.0)])
    path = made.take_path(500 * MS)
    assert path is not None
    assert path.silent.all()


def test_readings_that_wait_and_the_byte_of_the_oldest() -> None:
    """The smallest offset counts, whatever the order; none while no reading waits."""
    made = placer()
    assert (made.pending, oldest(made)) == (0, None)
    made.add_readings(readings([]))
    assert (made.pending, oldest(made)) == (0, None)
    waiting = readings([30 * MS, 10 * MS, 20 * MS])
    waiting["offset"] = [70, 40, 90]
    made.add_readings(waiting)
    assert (made.pending, oldest(made)) == (3, 40)


def test_place_at_the_first_and_the_last_sample() -> None:
    """A reading at a sample's time has its bracket; 1 ms outside of all samples there is none."""
    made = placer()
    append(made.scan, [(100, 1.0), (200, 3.0)])
    made.add_readings(readings([ms * MS for ms in (99, 100, 200, 201)]))
    assert go(made, 210) == [(100, 1.0), (200, 3.0)]
    assert (made.pending, made.unplaced) == (1, 1)


def test_place_combined_on_a_stepped_index_axis() -> None:
    """Without an index position the line in force at the reading's time is taken."""
    steps = SteppedTrack(start=5.0, step=2.0, lines=3)
    steps.step_to(2, 20 * MS)
    made = Placer(
        scan=EncodedTrack(bracket_ns=BRACKET), index=steps, bracket_ns=BRACKET, lateness_ns=LATENESS
    )
    at = readings([19 * MS, 20 * MS, 21 * MS])
    placed = made.place_combined(at, np.array([1.0, 2.0, np.nan]), None)
    assert (placed.scan.tolist(), placed.index.tolist()) == ([1.0, 2.0], [5.0, 9.0])
    assert placed.readings["time"].tolist() == [19 * MS, 20 * MS]
    assert made.unplaced == 1
    assert made.probe_times.of[0].usual == MS
    both = made.place_combined(at, np.array([1.0, np.nan, 3.0]), np.array([np.nan, 7.0, 8.0]))
    assert (both.scan.tolist(), both.index.tolist()) == ([3.0], [8.0])
    assert made.unplaced == 3


@pytest.mark.parametrize(
    ("interval", "now", "end"),
    [
        (10, 300, 200),  # up to the last reading
        (10, 450, 350),  # without one for longer: up to 100 ms ago, the lateness
        (80, 450, 290),  # of a slow gauge: up to 160 ms ago, twice its interval
        (10, 900, 500),  # and never past the last sample
    ],
)
def test_path_ends_where_readings_may_still_come(interval: int, now: int, end: int) -> None:
    """The path waits for readings on their way, and for a slow gauge, but not for a silent one."""
    made = placer()
    append(made.scan, [(ms, ms / 10) for ms in range(0, 501, 10)])
    made.add_readings(readings([(200 - k * interval) * MS for k in (2, 1, 0)]))
    times, _ = known_positions(made, now)
    assert (times[0], times[-1]) == (0, end)


def test_path_ends_with_the_encoder_that_is_behind() -> None:
    """Of two encoders the one with the older last sample is waited for."""
    for scan_end, index_end in ((100, 60), (60, 100)):
        index = EncodedTrack(bracket_ns=BRACKET)
        made = placer(index=index)
        append(made.scan, [(ms, ms / 10) for ms in range(0, scan_end + 1, 10)])
        append(index, [(ms, 0.0) for ms in range(0, index_end + 1, 10)])
        made.add_readings(readings([200 * MS]))
        assert known_positions(made, 200)[0] == [0, 10, 20, 30, 40, 50, 60]


def test_samples_are_kept_for_thirty_waits_while_an_encoder_is_lost() -> None:
    """A wait is the bracket and the lateness, 350 ms: nothing of the last 10.5 s is dropped."""
    made = placer(index=EncodedTrack(bracket_ns=BRACKET))
    append(made.scan, [(ms, ms / 10) for ms in range(0, 20_001, 10)])
    go(made, 20_000)
    assert made.scan.times[0] == 9500 * MS
    assert made.scan.times[-1] == 20_000 * MS


def test_samples_are_kept_for_a_reading_that_waits() -> None:
    """The sample before the oldest reading that waits stays, however long the path goes on."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    append(made.scan, [(ms, ms / 10) for ms in range(0, 10_001, 10)])
    made.add_readings(readings([9705 * MS]))
    go(made, 10_000)
    assert made.pending == 1
    append(made.scan, [(20_000, 1000.0)])
    append(index, [(9700, 0.0), (9710, 1.0)])
    placed = made.place(20_000 * MS)
    assert placed.scan.tolist() == pytest.approx([970.5])
    assert placed.index.tolist() == [0.5]


@pytest.mark.parametrize(("late", "placed"), [(10_500, True), (10_501, False)])
def test_reading_that_was_held_up_is_placed_though_the_path_is_settled(
    late: int, placed: bool
) -> None:
    """Samples are kept for 10.5 s: bytes that waited somewhere for ten seconds are not lost."""
    made = placer()
    append(made.scan, [(ms, ms / 10) for ms in range(0, 20_001, 10)])
    made.add_readings(readings([ms * MS for ms in range(0, 15_001, 10)]))
    go(made, 15_000)
    assert made.scan.times[0] == 4500 * MS
    made.add_readings(readings([(15_001 - late) * MS]), np.array([15_001 * MS]))
    found = made.place(15_002 * MS)
    assert ((15_001 - late) * MS in found.readings["time"].tolist()) is placed
    assert made.unplaced == (not placed)


@pytest.mark.parametrize(("late", "placed"), [(10_500, True), (10_501, False)])
def test_reading_that_is_older_than_what_is_kept_is_unplaced(late: int, placed: bool) -> None:
    """While the encoder is lost no path goes on, and samples are kept for 10.5 s."""
    made = placer()
    append(made.scan, [(0, 0.0), (100, 1.0)])
    made.add_readings(readings([50 * MS]), np.array([(50 + late) * MS]))
    assert made.place(60_000 * MS).readings.size == placed
    assert made.unplaced == (not placed)


def test_positions_are_known_when_reading_and_both_samples_have_arrived() -> None:
    """The later of the reading's own arrival and that of the sample after it."""
    made = placer()
    times = np.array([0, 100, 200], np.int64) * MS
    made.scan.append(times, np.array([0.0, 1.0, 2.0]), None, times + 30 * MS)
    made.add_readings(
        readings([50 * MS, 100 * MS, 150 * MS]), np.array([60, 170, 180], np.int64) * MS
    )
    assert (made.place(229 * MS).known // MS).tolist() == [130, 170]
    assert (made.place(230 * MS).known // MS).tolist() == [230]


def test_samples_that_settle_too_late_are_no_path() -> None:
    """An index encoder that was lost for 20 s: what was passed meanwhile has no known line."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    append(made.scan, [(ms, ms / 1000) for ms in range(0, 20_001, 100)])
    append(index, [(0, 5.0), (100, 5.0)])
    first = made.take_path(300 * MS)
    assert first is not None
    assert first.time[-1] == 100 * MS
    index.append(np.array([20_000 * MS]), np.array([5.0]), None, np.array([20_000 * MS]))
    path = made.take_path(20_200 * MS)
    assert path is not None
    later = path.time > 100 * MS
    assert path.time[later][0] == 9500 * MS
    assert path.resets[later].tolist() == [True] + [False] * int(later.sum() - 1)


def test_usual_interval_is_that_known_at_each_time() -> None:
    """It is known with the second reading, and 0 before; what was forgotten is not asked for."""
    made = placer()
    assert made.probe_times.of[0].pace_at(np.array([0, 50]) * MS).usual.tolist() == [0, 0]
    times = np.arange(0, 3001, 10) * MS
    made.add_readings(readings(times[:150]), times[:150] + 5 * MS)
    asked = np.array([4, 5, 14, 15, 1000]) * MS
    assert (made.probe_times.of[0].pace_at(asked).usual // MS).tolist() == [0, 0, 0, 10, 10]
    append(made.scan, [(ms, ms / 10) for ms in range(0, 3001, 10)])
    go(made, 1500)
    made.add_readings(readings(times[150:]), times[150:] + 5 * MS)
    asked = np.array([1500, 2000, 9000]) * MS
    assert (made.probe_times.of[0].pace_at(asked).usual // MS).tolist() == [10, 10, 10]


@pytest.mark.parametrize("every", [20, 70, 500, 4000])
def test_path_and_intervals_are_the_same_however_often_something_is_forgotten(every: int) -> None:
    """The gauge becomes slower, pauses for 600 ms and arrives late: nothing that counts is lost."""
    times = np.concatenate((np.arange(0, 1000, 10), np.arange(1000, 2000, 40), [2600, 2640, 2680]))
    arrived = (times + 60) * MS
    made = placer()
    settled: dict[int, int] = {}
    silent: dict[int, bool] = {}
    intervals: dict[int, int] = {}
    for now in range(0, 4001, every):
        begin, end = np.searchsorted(arrived, [(now - every) * MS, now * MS], side="right")
        made.add_readings(readings(times[begin:end] * MS), arrived[begin:end])
        append(made.scan, [(ms, ms / 10) for ms in range(now - every + 5, now + 1, 5) if ms >= 0])
        instants = np.arange(now // 100 * 100, now - every, -100)[::-1] * MS
        usual = made.probe_times.of[0].pace_at(instants).usual.tolist()
        intervals |= dict(zip(instants.tolist(), usual, strict=True))
        path = made.take_path(now * MS)
        if path is not None:
            # The first sample joins the piece to the one before, and is in that one.
            settled = dict(zip(path.time.tolist(), path.settled.tolist(), strict=True)) | settled
            silent = dict(zip(path.time.tolist(), path.silent.tolist(), strict=True)) | silent
        made.place(now * MS)
        made.forget(now * MS)
    # Worked out by hand: the sample at 500 ms waits for the reading at 500 ms.
    assert settled[500 * MS] == 560 * MS
    # After the last reading before the pause, 80 ms are less than the lateness of 100 ms.
    assert settled[2000 * MS] == 2100 * MS
    assert [silent[ms * MS] for ms in (500, 1500, 2000, 2400, 2640)] == [
        False, False, True, True, False,
    ]  # fmt: skip
    unforgetting = placer()
    unforgetting.add_readings(readings(times * MS), arrived)
    expected = (
        unforgetting.probe_times.of[0].pace_at(np.array(list(intervals), np.int64)).usual.tolist()
    )
    assert list(intervals.values()) == expected
    assert (intervals[0], intervals[100 * MS], intervals[1000 * MS]) == (0, 10 * MS, 10 * MS)
    assert intervals[3800 * MS] == made.probe_times.of[0].usual > 10 * MS


@pytest.mark.parametrize(
    ("sampled", "arrived", "placed"),
    [(400, 60, True), (401, 60, False), (500, 500, True), (501, 500, False)],
)
def test_reading_waits_for_its_bracket_as_long_as_both_may_be_on_their_way(
    sampled: int, arrived: int, placed: bool
) -> None:
    """Bracket and lateness, 350 ms after its time; one that came later has what is there by then."""
    made = placer()
    known = np.array([0, sampled], np.int64) * MS
    made.scan.append(np.array([0, 100 * MS]), np.array([0.0, 1.0]), None, known)
    made.add_readings(readings([50 * MS]), np.array([arrived * MS]))
    assert made.place(2000 * MS).readings.size == placed
    assert made.unplaced == (not placed)


def test_usual_interval_that_arrives_within_the_lateness_counts() -> None:
    """A sample at 90 ms waits for twice the 80 ms that are known from 130 ms on."""
    made = placer()
    append(made.scan, [(ms, ms / 10) for ms in range(0, 501, 10)])
    made.add_readings(readings([0, 80 * MS]), np.array([50, 130]) * MS)
    path = made.take_path(500 * MS)
    assert path is not None
    settled = dict(zip((path.time // MS).tolist(), (path.settled // MS).tolist(), strict=True))
    assert (settled[80], settled[90], settled[100]) == (130, 250, 260)


def test_readings_out_of_order_are_held_in_order_across_calls() -> None:
    """A time that runs back is no interval, within a call and from one to the next."""
    times = np.array([*range(0, 40, 10), 25, 40, 45, 35, *range(50, 3000, 10)]) * MS
    whole, parted = placer(), placer()
    whole.add_readings(readings(times), times)
    for begin in range(0, times.size, 4):
        parted.add_readings(readings(times[begin : begin + 4]), times[begin : begin + 4])
    asked = np.arange(0, 3000, 5) * MS
    assert (
        parted.probe_times.of[0].pace_at(asked).usual.tolist()
        == whole.probe_times.of[0].pace_at(asked).usual.tolist()
    )
    assert parted.probe_times.of[0].usual == whole.probe_times.of[0].usual > 0


@pytest.mark.parametrize("every", [100, 200, 10_100, 20_200])
def test_path_begins_again_after_samples_that_were_dropped(every: int) -> None:
    """Whether the samples of a lost index encoder are dropped or settle too late: no path."""
    index = EncodedTrack(bracket_ns=BRACKET)
    made = placer(index=index)
    append(index, [(0, 5.0), (100, 5.0)])
    found: dict[int, bool] = {}
    for now in range(0, 20_201, every):
        append(made.scan, [(ms, 0.0) for ms in range(now - every + 100, now + 1, 100) if ms >= 0])
        if now > 20_000:
            index.append(np.array([20_000 * MS]), np.array([5.0]), None, np.array([20_100 * MS]))
        path = made.take_path(now * MS)
        made.forget(now * MS)
        if path is not None:
            found = dict(zip((path.time // MS).tolist(), path.resets.tolist(), strict=True)) | found
    later = sorted(ms for ms in found if ms > 100)
    assert (later[0], later[-1]) == (9600, 20_000)
    assert [ms for ms in later if found[ms]] == [9600]


def test_blur_is_how_far_the_probe_moves_in_the_smear() -> None:
    """A reading's blur is the speed times the smear of its own time or of the samples around it."""
    for reading_ms, sample_ms in ((20, 0), (5, 20)):
        made = placer()
        times = np.array([0, 100], np.int64) * MS
        smear = np.array([0, sample_ms], np.int64) * MS
        made.scan.append(times, np.array([0.0, -10.0]), smear=smear)
        readings = np.zeros(1, READING)
        readings["time"] = 50 * MS
        known = np.array([60 * MS])
        made.add_readings(
            readings, known, timing=Timing.of(readings["time"], known, smear=reading_ms * MS)
        )
        placed = made.place(200 * MS)
        assert placed.spread is not None
        assert placed.spread["blur"] == pytest.approx([2.0])


def test_readings_are_kept_while_an_encoder_is_behind() -> None:
    """What is forgotten of them ends with the path, and with the last second, whose pace is asked for."""
    known = np.arange(0, 4000, 10) * MS
    made, unforgetting = placer(), placer()
    for one in (made, unforgetting):
        one.add_readings(readings(known), known)
        append(one.scan, [(ms, ms / 10) for ms in range(0, 1001, 10)])
        assert known_positions(one, 1500)[0][-1] == 1000
    made.forget(1500 * MS)
    assert len(made.probe_times.of[0]) < 400 - 45
    instants = np.arange(510, 4001, 50) * MS
    expected = unforgetting.probe_times.of[0].pace_at(instants).usual.tolist()
    assert made.probe_times.of[0].pace_at(instants).usual.tolist() == expected
    made.forget(4000 * MS)
    assert 300 <= len(made.probe_times.of[0]) < 315
    found = []
    for one in (made, unforgetting):
        append(one.scan, [(ms, ms / 10) for ms in range(1010, 4001, 10)])
        path = one.take_path(4500 * MS)
        assert path is not None
        found.append((path.time.tolist(), path.settled.tolist(), path.silent.tolist()))
    assert found[0] == found[1]
    assert not any(found[0][2][:-20])


def test_a_reading_that_is_placed_nowhere_concerns_the_path_of_its_own_probe() -> None:
    """What the other probe read there has its place."""
    probes = ProbeArray(
        tuple(CarriageProbe(number=k, name=f"p{k}", device=f"g{k}", input=None) for k in (0, 1))
    )
    made = Placer(
        scan=EncodedTrack(bracket_ns=BRACKET),
        index=SteppedTrack(start=0.0, step=1.0, lines=1),
        bracket_ns=BRACKET,
        lateness_ns=LATENESS,
        probes=probes,
    )
    append(made.scan, [(0, 0.0), (10, 1.0), (20, 2.0)])
    for number in (0, 1):
        one = readings([5 * MS, 15 * MS, 25 * MS])
        one["probe"] = number
        made.add_readings(one, used=np.array([True, number == 0, True]))
    path = made.take_path(500 * MS)
    assert path is not None
    first, second = path.of_probes(probes)
    assert first.unplaced.tolist() == []
    assert second.unplaced.tolist() == [15 * MS]
