"""What is kept of a scan for the estimate of the delay."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import Axis
from swathe_drivers.records import READING

SCAN = Axis(name="scan", start=0.0, resolution=1.0, cells=100)
INDEX = Axis(name="index", start=0.0, resolution=1.0, cells=4)


def piece(first: int, last: int) -> ProbePath:
    """Return a piece of the path with a sample at each ns, 1 mm apart."""
    time = np.arange(first, last + 1, dtype=np.int64)
    return ProbePath(
        time=time,
        scan=time.astype(np.float64),
        index=np.zeros(time.size),
        known=np.ones(time.size, bool),
        resets=np.zeros(time.size, bool),
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
    return [int(time) for part in observer._path for time in part[0]]


def test_path_has_each_sample_once() -> None:
    """A piece begins with the last sample of the piece before, the first one with its own."""
    observer = DelayObserver(scan=SCAN, index=INDEX)
    observer.moved_along(piece(0, 5))
    observer.moved_along(piece(5, 9))
    assert path_times(observer) == list(range(10))


def test_newest_readings_are_kept_with_the_path_around_them() -> None:
    """Above the limit the oldest batches are dropped, and the path that only they needed."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)
    for first in range(0, 30, 5):
        observer.moved_along(piece(first, first + 5))
        observer.placed(readings(first, first + 4))
    assert [int(part[1][0]) for part in observer._readings] == [20, 25]
    assert path_times(observer) == list(range(16, 31))


def test_without_a_limit_everything_is_kept() -> None:
    """For a whole survey nothing is dropped."""
    observer = DelayObserver(scan=SCAN, index=INDEX)
    for first in range(0, 30, 5):
        observer.moved_along(piece(first, first + 5))
        observer.placed(readings(first, first + 4))
    assert len(observer._readings) == 6
    assert path_times(observer) == list(range(31))


def test_last_piece_of_the_path_is_kept_while_the_probe_rests() -> None:
    """A path that ended before the readings stays: the next piece is joined to its last sample."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)
    observer.moved_along(piece(0, 5))
    for first in range(100, 130, 5):
        observer.placed(readings(first, first + 4))
    assert path_times(observer) == list(range(6))
    observer.moved_along(piece(5, 8))
    assert path_times(observer) == list(range(9))
    assert observer.estimate().reason.startswith("0 pairs of neighbouring lines")


def test_nothing_kept_gives_no_estimate() -> None:
    """Without a reading, or without a path, there is no delay to estimate."""
    for observer in (empty := [DelayObserver(scan=SCAN, index=INDEX) for _ in range(3)]):
        assert observer.estimate().reason == "no reading was placed"
    empty[0].moved_along(piece(0, 5))
    empty[1].placed(readings(0, 4))
    empty[2].placed(readings(0, -1))
    for observer in empty:
        assert not observer.estimate().sure
        assert observer.estimate().reason == "no reading was placed"
    assert empty[2]._readings == []


@pytest.mark.parametrize("pieces", [0, 1, 5])
def test_copy_by_pickle_keeps_every_piece_and_continues(pieces: int) -> None:
    """Batches are dropped as whole ones, so that a resumed run drops the same as one that went on."""
    observer = DelayObserver(scan=SCAN, index=INDEX, most=10)

    def show(shown: DelayObserver, first: int) -> None:
        shown.moved_along(piece(first, first + 3))
        shown.placed(readings(first, first + 2))

    for number in range(pieces):
        show(observer, 3 * number)
    buffers: list[pickle.PickleBuffer] = []
    pickled = pickle.dumps(observer, protocol=5, buffer_callback=buffers.append)
    assert len(buffers) <= 2 * 4  # however many pieces there are
    copy = pickle.loads(pickled, buffers=[bytearray(buffer) for buffer in buffers])  # noqa: S301  made just before
    for number in range(pieces, pieces + 4):
        for shown in (observer, copy):
            show(shown, 3 * number)
        for name in ("_readings", "_path"):
            kept, copied = getattr(observer, name), getattr(copy, name)
            assert len(kept) == len(copied)
            for one, other in zip(kept, copied, strict=True):
                for column, same in zip(one, other, strict=True):
                    assert column.dtype == same.dtype
                    assert column.tobytes() == same.tobytes()
