"""What is kept of a scan for the estimate of the delay."""

from __future__ import annotations

import itertools
import pickle

import numpy as np
import pytest

from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import Axis
from swathe_drivers.records import READING

SCAN = Axis(name="scan", start=0.0, resolution=1.0, cells=200)
INDEX = Axis(name="index", start=0.0, resolution=1.0, cells=12)
MS = 1_000_000


def piece(first: int, last: int, *, resets: int | None = None) -> ProbePath:
    """Return a piece of the path with a sample at each ns, 1 mm apart."""
    time = np.arange(first, last + 1, dtype=np.int64)
    return ProbePath(
        time=time,
        scan=time.astype(np.float64),
        index=np.zeros(time.size),
        known=np.ones(time.size, bool),
        resets=time == resets,
        silent=np.zeros(time.size, bool),
        settled=time,
        blur=np.zeros((time.size, 2)),
    )


def readings(first: int, last: int) -> Placed:
    """Return a reading at each ns."""
    made = np.zeros(last - first + 1, READING)
    made["time"] = np.arange(first, last + 1)
    made["valid"], made["thickness"] = True, 10.0
    return Placed(made, made["time"].astype(np.float64), np.zeros(made.size), made["time"])


def path_times(observer: DelayObserver) -> list[int]:
    """Return the times of the path that is kept."""
    times: list[int] = observer._path.columns()[0].tolist()
    return times


def reading_times(observer: DelayObserver) -> list[int]:
    """Return the times of the readings that are kept."""
    times: list[int] = observer._readings.columns()[0].tolist()
    return times


def test_path_has_each_sample_once() -> None:
    """A piece begins with the last sample of the piece before, the first one with its own."""
    observer = DelayObserver(scan=SCAN, index=INDEX)
    observer.moved_along(piece(0, 5))
    observer.moved_along(piece(5, 9, resets=7))
    assert path_times(observer) == list(range(10))
    assert np.flatnonzero(observer._path.columns()[3]).tolist() == [7]


@pytest.mark.parametrize("size", [1, 3, 7, 60])
def test_newest_readings_are_kept_whatever_the_batches(size: int) -> None:
    """Exactly so many readings, and the path from the oldest of them on, however many come at once."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)
    for first in range(0, 60, size):
        last = min(first + size, 60) - 1
        observer.moved_along(piece(first - 1 if first else 0, last))
        observer.placed(readings(first, last))
        kept, path = observer.copy().used()
        assert kept[0].tolist() == list(range(max(0, last - 9), last + 1))
        assert path[0].tolist() == list(range(max(0, last - 9), last + 1))
    assert reading_times(observer) == list(range(50, 60))


@pytest.mark.parametrize("size", [1, 3, 7, 60])
def test_old_readings_beyond_a_few_are_dropped_whatever_the_batches(size: int) -> None:
    """Of what is older than 20 against the newest reading, 5 are kept; 30 in all at most."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=30, few=5, recent_ns=20)
    for first in range(0, 60, size):
        last = min(first + size, 60) - 1
        observer.moved_along(piece(first - 1 if first else 0, last))
        observer.placed(readings(first, last))
        kept, path = observer.copy().used()
        assert kept[0].tolist() == list(range(max(0, last - 20), last + 1))
        assert path[0].tolist() == list(range(max(0, last - 20), last + 1))
    assert sum(len(part[0]) for part in observer._readings._pieces) <= 21 + max(5, size)
    observer.moved_along(piece(1000, 1001))  # after a night: of the day before, only the few
    observer.placed(readings(1000, 1001))
    assert reading_times(observer) == [57, 58, 59, 1000, 1001]
    observer.placed(readings(30, 30))  # a clock that steps back makes none of them new again
    observer.placed(readings(1002, 1002))
    assert reading_times(observer) == [59, 1000, 1001, 30, 1002]


def test_memory_is_bounded() -> None:
    """A quarter more than the readings, and the path of these, are held, even if nobody estimates."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=40)
    for first in range(0, 1200, 3):
        observer.moved_along(piece(first - 1 if first else 0, first + 2))
        observer.placed(readings(first, first + 2))
        assert sum(len(part[0]) for part in observer._readings._pieces) < 50
        assert sum(len(part[0]) for part in observer._path._pieces) < 60


def test_path_of_dropped_readings_is_dropped_though_a_copy_dropped_them() -> None:
    """A state that is copied each minute joins the readings, before so many have come that it is due."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=1000, few=20, recent_ns=100)
    for first in range(0, 3000, 10):
        observer.moved_along(piece(first - 1 if first else 0, first + 9))
        observer.placed(readings(first, first + 9))
        pickle.dumps(observer)
    assert sum(len(part[0]) for part in observer._path._pieces) < 150


@pytest.mark.parametrize("size", [1, 3, 60])
def test_four_samples_are_kept_for_a_reading(size: int) -> None:
    """Where readings are rare, the path is limited by itself."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)
    observer.placed(readings(0, 0))
    for first in range(0, 60, size):
        observer.moved_along(piece(first - 1 if first else 0, first + size - 1))
        assert len(observer.used()[1][0]) == min(first + size, 40)
    assert sum(len(part[0]) for part in observer._path._pieces) <= 50


def test_small_pieces_are_joined_meanwhile() -> None:
    """A few rows each, as a live run adds them: what is kept is the same, as few arrays."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=100_000)
    for k in range(2000):
        observer.placed(readings(2 * k, 2 * k + 1))
        observer.moved_along(piece(k, k + 1))
        assert len(observer._readings._pieces) < 256 + 8
        assert len(observer._path._pieces) < 256 + 8
        if k == 300:
            copied = observer.copy()
    assert path_times(copied) == list(range(302))
    assert reading_times(observer) == list(range(4000))
    assert path_times(observer) == list(range(2001))


def test_without_a_limit_everything_is_kept() -> None:
    """For a whole survey nothing is dropped."""
    observer = DelayObserver(scan=SCAN, index=INDEX)
    for first in range(0, 30, 5):
        observer.moved_along(piece(first, first + 5))
        observer.placed(readings(first, first + 4))
    assert reading_times(observer) == list(range(30))
    assert path_times(observer) == list(range(31))


def test_nothing_kept_gives_no_estimate() -> None:
    """Without a reading, or without a path, there is no delay to estimate."""
    empty = [DelayObserver(scan=SCAN, index=INDEX) for _ in range(3)]
    empty[0].moved_along(piece(0, 5))
    empty[1].placed(readings(0, 4))
    empty[2].placed(readings(0, -1))
    for observer in empty:
        estimate = observer.estimate()
        assert not estimate.sure
        assert estimate.reason == "no reading was placed"
        assert (estimate.low, estimate.high) == (-np.inf, np.inf)


@pytest.mark.parametrize("pieces", [0, 1, 5, 9])
def test_copy_by_pickle_keeps_the_same_and_continues(pieces: int) -> None:
    """A resumed run keeps the same readings as one that went on."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)

    def show(shown: DelayObserver, first: int) -> None:
        shown.moved_along(piece(first, first + 3))
        shown.placed(readings(first, first + 2))

    for number in range(pieces):
        show(observer, 3 * number)
    buffers: list[pickle.PickleBuffer] = []
    pickled = pickle.dumps(observer, protocol=5, buffer_callback=buffers.append)
    assert len(buffers) <= 6  # however many pieces there are
    copy = pickle.loads(pickled, buffers=[bytearray(buffer) for buffer in buffers])  # noqa: S301  made just before
    for number in range(pieces, pieces + 4):
        for shown in (observer, copy):
            show(shown, 3 * number)
        for name in ("_readings", "_path"):
            kept, copied = getattr(observer, name).columns(), getattr(copy, name).columns()
            for column, same in zip(kept, copied, strict=True):
                assert column.dtype == same.dtype
                assert column.tobytes() == same.tobytes()


def show_raster(made: DelayObserver, rows: range, *, late_ns: int, pieces: int = 4) -> None:
    """Show an observer a raster at 100 mm/s over a wall with waves, each line in several pieces."""
    for row in rows:
        start = row * 2000
        times = np.arange(start, start + 1991, 10, dtype=np.int64) * MS
        share = (times / MS - start) / 1990
        scan = 199 * (share if row % 2 == 0 else 1 - share)
        borders = np.linspace(0, times.size - 1, pieces + 1).astype(int).tolist()
        for begin, last in itertools.pairwise(borders):
            part = slice(begin if row or begin else 0, last + 1)
            n = times[part].size
            flags = np.ones(n, bool)
            index = np.full(n, float(row))
            made.moved_along(
                ProbePath(
                    times[part],
                    scan[part],
                    index,
                    flags,
                    ~flags,
                    ~flags,
                    times[part],
                    np.zeros((n, 2)),
                )
            )
            read = np.arange(-(-int(times[begin]) // (5 * MS)) * 5 * MS, int(times[last]), 5 * MS)
            at = np.interp(read, times, scan)
            made_readings = np.zeros(read.size, READING)
            made_readings["time"] = read + late_ns
            made_readings["valid"] = True
            made_readings["valid"][::50] = False
            noise = 0.01 * np.sin(read / 1e6 * 7.7 + row)
            made_readings["thickness"] = 10 + np.sin(at / 9) + 0.6 * np.sin(at / 4.3) + noise
            made.placed(Placed(made_readings, at, np.full(at.size, float(row)), read + late_ns))


@pytest.mark.parametrize("pieces", [1, 4])
def test_observer_estimates_the_delay_of_what_it_was_shown(pieces: int) -> None:
    """Readings 30 ms late are found to be, from the pieces as from the whole."""
    made = DelayObserver(scan=SCAN, index=INDEX)
    show_raster(made, range(8), late_ns=30 * MS, pieces=pieces)
    estimate = made.estimate()
    assert estimate.sure, estimate.reason
    assert estimate.low < 30e6 < estimate.high
    assert estimate.pairs == 7


def test_observer_copy_is_not_changed_by_what_comes_later() -> None:
    """An estimate in another thread sees what was there when the copy was made."""
    made = DelayObserver(scan=SCAN, index=INDEX)
    show_raster(made, range(6), late_ns=30 * MS)
    copy = made.copy()
    before = copy.estimate()
    show_raster(made, range(6, 8), late_ns=0)
    assert copy.estimate() == before


def test_piece_that_begins_behind_a_cut_keeps_its_first_sample() -> None:
    """Its join was left out, as in a pause: to the first sample that is left no path leads."""
    whole, cut = (DelayObserver(scan=SCAN, index=INDEX) for _ in range(2))
    path = piece(0, 9)
    dropped = (path.time >= path.time[3]) & (path.time < path.time[6])
    apart = np.concatenate(([False], dropped[:-1]))
    left = path.without(dropped, apart)
    assert left is not None
    whole.moved_along(left)
    for rows in (slice(0, 4), slice(3, 6), slice(5, None)):
        part = path[rows]
        join = np.concatenate(([False], dropped[rows][:-1]))
        if (some := part.without(dropped[rows], join)) is not None:
            cut.moved_along(some)
    assert path_times(cut) == path_times(whole) == [0, 1, 2, 6, 7, 8, 9]
    assert [column.tolist() for column in cut._path.columns()] == [
        column.tolist() for column in whole._path.columns()
    ]


def test_another_delay_begins_from_nothing() -> None:
    """What was placed with another delay is forgotten, and the next piece has its first sample."""
    made = DelayObserver(scan=SCAN, index=INDEX)
    made.moved_along(piece(0, 5))
    made.placed(readings(0, 4))
    made.delay_changed()
    assert made.estimate().reason == "no reading was placed"
    made.moved_along(piece(5, 9))
    made.placed(readings(5, 8))
    assert (path_times(made), reading_times(made)) == (list(range(5, 10)), list(range(5, 9)))
