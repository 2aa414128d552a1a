"""From a device's clock to the host's: skew and offset come back from late deliveries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.deliveries import lower_hull
from swathe_drivers.records import ABSENT_TIME

MS = 1_000_000
S = 1_000_000_000


def deliveries(
    seed: int, *, seconds: float, skew: float, offset: int, minimum: int = 2 * MS
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return device times, true host times and arrivals of a record every 10 ms.

    A delivery takes `minimum` at least; most are a few ms later, some 40 ms, as a host that is busy
    with other things makes them. Arrivals never overtake each other.
    """
    random = np.random.default_rng(seed)
    true = np.arange(0, int(seconds * S), 10 * MS, dtype=np.int64) + 5 * S
    device = np.rint((true - 5 * S) / (1 + skew)).astype(np.int64) + offset
    late = random.exponential(3 * MS, true.size) + 40 * MS * (random.random(true.size) < 0.05)
    arrival = np.maximum.accumulate(true + minimum + late.astype(np.int64))
    return device, true, arrival


def through(
    clock: DeviceClock, device: NDArray[np.int64], arrival: NDArray[np.int64], batch: int = 7
) -> NDArray[np.int64]:
    """Return the host times of all records, given to the clock in batches."""
    parts = [
        clock.to_host(device[k : k + batch], arrival[k : k + batch])
        for k in range(0, device.size, batch)
    ]
    return np.concatenate(parts)


@pytest.mark.parametrize("skew", [0.0, 50e-6, -80e-6, 400e-6])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_to_host_recovers_skew_and_offset(skew: float, seed: int) -> None:
    """A minute of late deliveries gives the skew within 20 ppm and the times within 1 ms."""
    device, true, arrival = deliveries(seed, seconds=60, skew=skew, offset=123_456_789)
    clock = DeviceClock()
    host = through(clock, device, arrival)
    assert clock.fit is not None
    assert clock.fit.skew == pytest.approx(skew, abs=20e-6)
    # The least delay of the way cannot be told from an offset; it is the port's `delay` setting.
    off = host[-3000:] - true[-3000:] - 2 * MS
    assert np.abs(off).max() < 1 * MS
    assert clock.restarts == 0


def test_to_host_better_than_arrival_from_the_start() -> None:
    """Within two seconds the times are far better than the arrivals they come from."""
    device, true, arrival = deliveries(4, seconds=10, skew=30e-6, offset=0)
    host = through(DeviceClock(), device, arrival)
    settled = slice(200, None)
    assert np.abs(host[settled] - true[settled] - 2 * MS).max() < 1.5 * MS
    assert np.abs(arrival[settled] - true[settled] - 2 * MS).max() > 30 * MS


@given(
    st.lists(
        st.tuples(st.integers(-(10**9), 10**11), st.integers(0, 10**9)), min_size=1, max_size=60
    ),
    st.integers(1, 20),
    st.one_of(st.none(), st.integers(10**6, 2**42)),
)
def test_to_host_never_later_than_arrival(
    steps: list[tuple[int, int]], batch: int, wrap: int | None
) -> None:
    """Whatever a device says of its clock, no record happened after it arrived."""
    device = np.cumsum([step for step, _ in steps]).astype(np.int64)
    if wrap is not None:
        device %= wrap
    arrival = np.cumsum([step for _, step in steps]).astype(np.int64)
    host = through(DeviceClock(wrap_ns=wrap), device, arrival, batch)
    assert (host <= arrival).all()
    assert host.dtype == np.int64


def test_to_host_counter_wrap_is_undone() -> None:
    """A 16-bit counter of ms goes round every 65.536 s; times go straight on, batch or not."""
    device, _, arrival = deliveries(5, seconds=200, skew=20e-6, offset=60 * S)
    wrap = 65_536 * MS
    straight = through(DeviceClock(), device, arrival)
    wrapped = DeviceClock(wrap_ns=wrap)
    assert np.array_equal(through(wrapped, device % wrap, arrival), straight)
    assert wrapped.restarts == 0


def test_to_host_record_a_little_out_of_order_is_no_turn() -> None:
    """A record that overtook another at the counter's end is not taken for a whole turn."""
    wrap = 65_536 * MS
    device = np.array([65_530, 65_535, 5, 65_533, 10], np.int64) * MS
    arrival = np.arange(5, dtype=np.int64) * 5 * MS + 100 * S
    host = DeviceClock(wrap_ns=wrap).to_host(device, arrival)
    assert np.ptp(host) < 30 * MS


def test_to_host_restart_begins_anew() -> None:
    """A device that was switched off and on counts from zero: one restart, times right again."""
    device, true, arrival = deliveries(6, seconds=20, skew=0.0, offset=900 * S)
    clock = DeviceClock()
    through(clock, device, arrival)
    later_device, later_true, later_arrival = deliveries(7, seconds=20, skew=0.0, offset=0)
    host = through(clock, later_device, later_arrival + 60 * S)
    assert clock.restarts == 1
    assert np.abs(host[500:] - later_true[500:] - 60 * S - 2 * MS).max() < 1.5 * MS
    assert true[-1] < host[0]


def test_to_host_without_device_time_keeps_arrival() -> None:
    """A record without a time of its own keeps its arrival; others beside it are mapped."""
    arrival = np.arange(6, dtype=np.int64) * 10 * MS + S
    absent = np.full(6, ABSENT_TIME)
    clock = DeviceClock()
    assert np.array_equal(clock.to_host(absent, arrival), arrival)
    assert clock.fit is None
    mixed = np.where(np.arange(6) % 2 == 0, arrival - 500 * MS, ABSENT_TIME)
    late = arrival + np.array([0, 3, 5, 3, 5, 3]) * MS
    host = clock.to_host(mixed, late)
    assert np.array_equal(host[1::2], late[1::2])
    assert host[2] < late[2]


def test_clock_memory_is_bounded() -> None:
    """Ten minutes at a record every 10 ms keep no more than the window's deliveries."""
    device, _, arrival = deliveries(8, seconds=600, skew=10e-6, offset=0)
    clock = DeviceClock()
    through(clock, device, arrival, batch=500)
    assert len(clock._deliveries) <= 1200


@given(
    st.lists(st.integers(-1000, 1000), min_size=2, max_size=40, unique=True),
    st.data(),
)
def test_lower_hull_lies_below_all_points(xs: list[int], data: st.DataObject) -> None:
    """The hull is a chain of points of which none lies above, turning left at each."""
    points = [(float(x), float(data.draw(st.integers(-1000, 1000)))) for x in sorted(xs)]
    hull = lower_hull(points)
    assert hull[0] == points[0]
    assert hull[-1] == points[-1]
    assert set(hull) <= set(points)
    at = [x for x, _ in hull]
    height = np.interp([x for x, _ in points], at, [y for _, y in hull])
    assert (np.array([y for _, y in points]) >= height - 1e-9).all()
    slopes = np.diff([y for _, y in hull]) / np.diff(at)
    assert (np.diff(slopes) > 0).all()


def steady(
    clock: DeviceClock, device: NDArray[np.int64], arrival: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Feed deliveries in batches of ten; return the host time of each, ns."""
    mapped = [
        clock.to_host(device[k : k + 10], arrival[k : k + 10]) for k in range(0, device.size, 10)
    ]
    return np.concatenate(mapped)


@pytest.mark.slow
def test_clock_drifting_for_a_night_is_no_restart() -> None:
    """A poor clock, 400 ppm off for ten hours, is followed and never taken for a restarted one."""
    true = np.arange(0, 36_000 * 10, dtype=np.int64) * 100_000_000
    late = np.random.default_rng(4).integers(0, 5_000_000, true.size)
    device = np.rint(true * (1 + 400e-6)).astype(np.int64)
    clock = DeviceClock()
    error = steady(clock, device, true + late) - true
    assert clock.restarts == 0
    assert np.max(np.abs(error[1000:])) < 1_000_000


def test_clock_set_ahead_is_fitted_anew_at_once() -> None:
    """A device whose clock jumps ahead by half a second costs no reading its place."""
    true = np.arange(0, 6000, dtype=np.int64) * 10_000_000
    late = np.random.default_rng(5).integers(0, 5_000_000, true.size)
    device = true + np.where(true > 30_000_000_000, 500_000_000, 0)
    clock = DeviceClock()
    error = steady(clock, device, true + late) - true
    assert clock.restarts == 1
    assert np.max(np.abs(error[100:])) <= 5_000_000


def test_clock_set_back_is_fitted_anew_within_seconds() -> None:
    """A device whose clock jumps back by a second is found out when nothing comes in time."""
    true = np.arange(0, 6000, dtype=np.int64) * 10_000_000
    late = np.random.default_rng(6).integers(0, 5_000_000, true.size)
    jump = 30_000_000_000
    device = true - np.where(true > jump, 1_000_000_000, 0)
    clock = DeviceClock()
    error = steady(clock, device, true + late) - true
    assert clock.restarts == 1
    settled = (true < jump) | (true > jump + 3_500_000_000)
    assert np.max(np.abs(error[settled][100:])) <= 5_000_000


def test_clock_late_for_a_moment_is_no_restart() -> None:
    """A link that holds everything back for two seconds changes nothing of the fit."""
    true = np.arange(0, 6000, dtype=np.int64) * 10_000_000
    late = np.random.default_rng(7).integers(0, 5_000_000, true.size)
    held = (true > 30_000_000_000) & (true < 32_000_000_000)
    arrival = np.where(held, 32_000_000_000, true + late)
    clock = DeviceClock()
    error = steady(clock, true, arrival) - true
    assert clock.restarts == 0
    assert np.max(np.abs(error[100:])) <= 5_000_000


@pytest.mark.parametrize("epoch", [0, 1_800_000_000 * S, -1_800_000_000 * S])
def test_to_host_keeps_its_resolution_at_any_epoch(epoch: int) -> None:
    """A device that sends UTC is mapped to the ns, though a float of UTC resolves 256 ns only."""
    device = epoch + 13 + np.arange(500, dtype=np.int64) * 10 * MS
    arrival = 5 * S + 7 + np.arange(500, dtype=np.int64) * 10 * MS
    host = steady(DeviceClock(), device, arrival)
    assert np.max(np.abs(host - arrival)) <= 2


def one_by_one(clock: DeviceClock, *records: tuple[int, int]) -> list[int]:
    """Return the host time of each record, (device time, arrival), given by itself; ns."""
    return [
        int(clock.to_host(np.array([device], np.int64), np.array([arrival], np.int64))[0])
        for device, arrival in records
    ]


def test_to_host_by_the_fastest_delivery_of_a_stretch() -> None:
    """Within 100 ms of device time a delivery 15 ms faster than the first moves all that follow."""
    clock = DeviceClock()
    host = one_by_one(
        clock, (0, S + 15 * MS), (10 * MS, S + 10 * MS), (20 * MS, S + 40 * MS), (30 * MS, 2 * S)
    )
    assert host == [S + 15 * MS, S + 10 * MS, S + 20 * MS, S + 30 * MS]
    assert clock.restarts == 0


def test_records_of_one_chunk_are_mapped_by_the_fastest_of_them() -> None:
    """What came with one chunk is known together, also the very first; no restart for bunching."""
    device = np.array([0, 60, 120, 180, 240, 300], np.int64) * MS
    arrival = S + np.array([180, 180, 180, 180, 300, 300], np.int64) * MS
    known = np.array([1, 1, 1, 1, 2, 2])
    clock = DeviceClock()
    whole = clock.to_host(device, arrival, known)
    assert (whole[:4] == S + device[:4]).all()
    # By now the line may have the most skew of a quartz: 500 ppm of 120 ms.
    assert np.abs(whole - S - device).max() <= 60_000
    parts = DeviceClock()
    halves = (slice(0, 4), slice(4, 6))
    found = [parts.to_host(device[half], arrival[half], known[half]) for half in halves]
    assert np.array_equal(np.concatenate(found), whole)
    assert (clock.restarts, parts.restarts) == (0, 0)


def test_to_host_in_one_batch_by_the_fastest_delivery_so_far() -> None:
    """A record is mapped by those up to itself: what comes later does not move it."""
    device = np.array([0, 10, 20], np.int64) * MS
    for late, by in (([0, 5, 9], [0, 0, 0]), ([5, 0, 9], [5, 0, 0]), ([9, 5, 0], [9, 5, 0])):
        arrival = S + device + np.array(late) * MS
        host = DeviceClock().to_host(device, arrival)
        assert (host - device - S).tolist() == [ms * MS for ms in by]


@given(
    late=st.lists(st.integers(-30_000, 160_000), min_size=2, max_size=80),
    step=st.sampled_from([7, 20, 90, 130]),
    bunch=st.integers(1, 6),
    cuts=st.lists(st.integers(1, 79), max_size=8),
    skew=st.sampled_from([0, 300, -300]),
    set_at=st.one_of(st.none(), st.integers(1, 79)),
)
def test_to_host_does_not_depend_on_batches(
    late: list[int], step: int, bunch: int, cuts: list[int], skew: int, set_at: int | None
) -> None:
    """Chunk by chunk, in batches or all at once: the same times, restarts and fit, bit for bit."""
    n = len(late)
    device = np.arange(n, dtype=np.int64) * (step * MS - skew * step)
    if set_at is not None:
        device[set_at:] += 700 * MS
    arrival = np.maximum.accumulate(
        S + np.arange(n, dtype=np.int64) * step * MS + np.array(late) * 1000
    )
    known = np.arange(n) // bunch
    whole = DeviceClock()
    expected = whole.to_host(device, arrival, known)
    for borders in (range(bunch, n, bunch), sorted({cut // bunch * bunch for cut in cuts})):
        borders = [border for border in borders if 0 < border < n]  # noqa: PLW2901
        clock = DeviceClock()
        parts = zip(*(np.split(part, borders) for part in (device, arrival, known)), strict=True)
        found = np.concatenate([clock.to_host(*part) for part in parts])
        assert np.array_equal(found, expected)
        assert (clock.restarts, clock.fit) == (whole.restarts, whole.fit)


@pytest.mark.parametrize(
    ("late", "restarts"),
    [
        (0, 0),
        (-20 * MS, 0),
        (-20 * MS - 1, 1),
        (3 * S, 0),
        (3 * S + 1, 1),
    ],
)
def test_clock_that_is_early_or_seconds_late_is_another_one(late: int, restarts: int) -> None:
    """Up to 20 ms early and up to 3 s late a record is of the clock that was fitted."""
    clock = DeviceClock()
    one_by_one(clock, (0, 10 * S), (4 * S, 14 * S + late))
    assert clock.restarts == restarts


@pytest.mark.parametrize(
    ("late", "seconds", "restarts"),
    [
        (100 * MS, 3.5, 0),  # 100 ms late is still in time
        (105 * MS, 3.0, 0),  # late for 3 s; the fit may give way by 500 ppm of it
        (105 * MS, 3.5, 1),
    ],
)
def test_clock_of_which_no_record_is_in_time_is_fitted_again(
    late: int, seconds: float, restarts: int
) -> None:
    """More than 100 ms late for more than 3 s is no delay; late once after a pause may be one."""
    clock = DeviceClock()
    last = round(seconds * S)
    one_by_one(clock, (0, 10 * S), (1, 10 * S + 1))
    one_by_one(clock, (5 * S - late, 15 * S))
    assert clock.restarts == 0
    one_by_one(clock, (5 * S + last - late, 15 * S + last))
    assert clock.restarts == restarts


@pytest.mark.parametrize(("off", "skew"), [(10 * MS, 500e-6), (-10 * MS, -500e-6), (MS, 1e-4)])
def test_skew_is_that_of_a_quartz(off: int, skew: float) -> None:
    """1 ms in 10 s is 100 ppm; 10 ms would be 1000 ppm and is held at 500."""
    clock = DeviceClock()
    one_by_one(clock, (0, 5 * S), (10 * S, 15 * S + off))
    assert clock.fit is not None
    assert clock.fit.skew == pytest.approx(skew, abs=1e-12)
    assert clock.restarts == 0


def test_clock_forgets_the_oldest_300_of_1200_stretches() -> None:
    """A delivery 10 ms faster than all others, the 300th, holds the line until it is dropped."""
    clock = DeviceClock()
    late = [0 if k == 299 else 10 * MS for k in range(1201)]
    records = [(k * 100 * MS, S + k * 100 * MS + late[k]) for k in range(1201)]
    one_by_one(clock, *records[:1200])
    assert clock.fit is not None
    # From the fast delivery, at 29.9 s, to the last one, at 119.9 s.
    assert clock.fit.skew == pytest.approx(10 * MS / (900 * 100 * MS), rel=1e-6)
    one_by_one(clock, records[1200])
    assert clock.fit.skew == pytest.approx(0.0, abs=1e-12)
    assert clock.fit.host_0 == pytest.approx(0.0, abs=1)
    assert clock.restarts == 0


@pytest.mark.parametrize(("sent", "elapsed"), [(499, 499), (500, -500), (501, -499), (999, -1)])
def test_counter_takes_the_shorter_way_round(sent: int, elapsed: int) -> None:
    """On a counter of 1000 ms, 499 ms more is ahead and 501 ms more is 499 ms back."""
    clock = DeviceClock(wrap_ns=1000 * MS)
    host = one_by_one(clock, (0, 10 * S), (sent * MS, 10 * S + max(elapsed, 0) * MS))
    assert host == [10 * S, 10 * S + elapsed * MS]


def best_line(points: list[tuple[int, int]]) -> tuple[float, float]:
    """Return height at 0 and skew of the best line below all points, by trying every pair.

    Best is the smallest sum of distances, as the module says; the skew is at most 500 ppm.
    """
    best = (float("inf"), 0.0, 0.0)
    for k, (x0, y0) in enumerate(points):
        for x1, y1 in points[k + 1 :]:
            slope = (y1 - y0) / (x1 - x0)
            apart = [y - (y0 + slope * (x - x0)) for x, y in points]
            if min(apart) >= -1e-3 and sum(apart) < best[0]:
                best = (sum(apart), y0 - slope * x0, slope - 1)
    skew = min(max(best[2], -500e-6), 500e-6)
    return min(y - (1 + skew) * x for x, y in points), skew


@given(
    late=st.lists(st.integers(0, 15_000), min_size=3, max_size=25),
    skew=st.sampled_from([0, 100, -100, 450, -450, 2000, -2000]),
    batch=st.integers(1, 9),
)
def test_fit_is_the_best_line_below_all_deliveries(late: list[int], skew: int, batch: int) -> None:
    """With a delivery in each stretch of 100 ms the fit is that of a search over all pairs."""
    n = len(late)
    device = 7 * S + np.arange(n, dtype=np.int64) * 130 * MS
    arrival = 3 * S + np.arange(n, dtype=np.int64) * (130 * MS + 130 * skew) + np.array(late) * 1000
    clock = DeviceClock()
    through(clock, device, arrival, batch)
    assert clock.restarts == 0
    points = list(zip((device - device[0]).tolist(), (arrival - arrival[0]).tolist(), strict=True))
    height, expected = best_line(points)
    assert clock.fit is not None
    assert clock.fit.device_0 == device[0]
    at_end = clock.fit.host_0 + (1 + clock.fit.skew) * points[-1][0]
    # The mean may be on a vertex of the hull, where both edges are best: their lines meet there.
    mean = sum(x for x, _ in points) / n
    found = clock.fit.host_0 + (1 + clock.fit.skew) * mean
    assert found == pytest.approx(height + (1 + expected) * mean, abs=10)
    assert at_end <= points[-1][1] + 10


@pytest.mark.parametrize("order", [(5, 2, 9), (2, 5, 9), (9, 5, 2)])
def test_fastest_delivery_of_a_stretch_is_kept(order: tuple[int, ...]) -> None:
    """Of the deliveries within 100 ms of device time the least late one touches the line."""
    clock = DeviceClock()
    device = np.array([10, 20, 30], np.int64) * MS
    host = clock.to_host(device, device + S + np.array(order) * MS)
    assert clock.fit is not None
    assert (host - device - S).tolist() == [min(order[: k + 1]) * MS for k in range(3)]
    later = np.array([140, 150], np.int64) * MS
    host = clock.to_host(later, later + S + np.array([7, 8]) * MS)
    # A line through a single stretch has no skew.
    assert (host - later - S).tolist() == [2 * MS] * 2
    later = np.array([240, 250], np.int64) * MS
    host = clock.to_host(later, later + S + np.array([7, 8]) * MS)
    # The second stretch is 5 ms later: more than 500 ppm of 110 ms, so the skew is limited.
    fastest = 10 * (order.index(2) + 1)
    assert (host - later - S).tolist() == pytest.approx(
        [2 * MS + 500 * (240 - fastest), 2 * MS + 500 * (250 - fastest)], abs=10
    )


@pytest.mark.parametrize(("early_ms", "restarts"), [(19, 0), (21, 1)])
def test_clock_that_is_ahead_by_more_than_its_coarseness_was_set(
    early_ms: int, restarts: int
) -> None:
    """No delivery is early; 20 ms are borne for a coarse clock and the error of the fit."""
    clock = DeviceClock()
    device = np.arange(0, 2000, 10, dtype=np.int64) * MS
    steady(clock, device, device + S)
    ahead = np.array([2000 + early_ms], np.int64) * MS
    clock.to_host(ahead, np.array([2000 * MS + S]))
    assert clock.restarts == restarts


@pytest.mark.parametrize(("late_ms", "restarts"), [(2990, 0), (3010, 1)])
def test_delivery_seconds_late_means_that_the_clock_was_set(late_ms: int, restarts: int) -> None:
    """A single record three seconds late is on a clock that was set back."""
    clock = DeviceClock()
    device = np.arange(0, 2000, 10, dtype=np.int64) * MS
    steady(clock, device, device + S)
    host = clock.to_host(np.array([2000 * MS]), np.array([(2000 + late_ms) * MS + S]))
    assert clock.restarts == restarts
    assert bool(host[0] == (2000 + late_ms) * MS + S) is bool(restarts)


@pytest.mark.parametrize(
    ("for_ms", "late_ms", "restarts"),
    [
        (2800, 150, 0),
        (3200, 150, 1),
        (3200, 90, 0),
    ],
)
def test_deliveries_late_for_seconds_mean_that_the_clock_was_set_back(
    for_ms: int, late_ms: int, restarts: int
) -> None:
    """More than 100 ms late for more than three seconds: no line is that slow for so long."""
    clock = DeviceClock()
    device = np.arange(0, 2000, 10, dtype=np.int64) * MS
    steady(clock, device, device + S)
    later = np.arange(2000, 2000 + for_ms, 10, dtype=np.int64) * MS
    steady(clock, later, later + late_ms * MS + S)
    assert clock.restarts == restarts


def arrivals_with_delays(rng: np.random.Generator, shape: float, count: int) -> np.ndarray:
    """Return arrivals, ns, of records 5 ms apart with gamma-distributed delays of 6 ms."""
    made = np.arange(count) * 5_000_000
    delays = rng.gamma(shape, 6.0 / shape, count)
    return np.maximum.accumulate(made + np.rint(delays * 1e6).astype(np.int64))


@pytest.mark.parametrize(("shape", "low", "high"), [(1.0, 1.0, 9.0), (2.0, 0.7, 3.0)])
def test_uncertainty_is_that_of_the_times(shape: float, low: float, high: float) -> None:
    """After 5 s the stated uncertainty is about how far times are off, for delays of both kinds."""
    errors, stated, inside = [], [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        clock = DeviceClock()
        arrival = arrivals_with_delays(rng, shape, 1000)
        error = clock.to_host(np.arange(1000) * 5_000_000, arrival) - np.arange(1000) * 5_000_000
        errors.append(error[-1])
        stated.append(clock.uncertainty[-1])
        inside.append(abs(error[-1]) <= 1.96 * clock.uncertainty[-1])
    ratio = np.sqrt(np.mean(np.square(stated)) / np.mean(np.square(errors)))
    assert low < ratio < high, f"{ratio:.2f}"
    assert np.mean(inside) > 0.85, f"{np.mean(inside):.3f}"


def test_uncertainty_of_deliveries_in_time_is_the_floor() -> None:
    """Where each delivery takes the same time nothing is uncertain but the last 20 µs."""
    device = np.arange(1000) * 5_000_000
    clock = DeviceClock()
    clock.to_host(device, device + 3_000_000)
    assert clock.uncertainty[-1] == 20_000


def test_uncertainty_before_two_stretches_is_that_of_nothing_known() -> None:
    """One delivery does not show how late it was."""
    device = np.arange(10) * 5_000_000
    clock = DeviceClock()
    clock.to_host(device, device + 3_000_000)
    assert (clock.uncertainty == 5_000_000).all()


def test_uncertainty_is_the_same_however_records_are_batched() -> None:
    """It is that with which each record became known."""
    device = np.arange(1000) * 5_000_000
    arrival = arrivals_with_delays(np.random.default_rng(1), 2.0, 1000)
    whole, pieces = DeviceClock(), DeviceClock()
    whole.to_host(device, arrival)
    found = []
    for rows in np.array_split(np.arange(1000), 37):
        pieces.to_host(device[rows], arrival[rows])
        found.append(pieces.uncertainty)
    assert (np.concatenate(found) == whole.uncertainty).all()
