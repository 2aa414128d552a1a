"""By how much deliveries differ, of records without a line."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.pulse_line import PulseRows, delays_of

MS = 1_000_000


def rows(arrivals_ms: list[float]) -> PulseRows:
    """Return records by their count, which arrived at these times."""
    arrival = np.rint(np.array(arrivals_ms) * MS).astype(np.int64)
    number = np.arange(arrival.size)
    none = np.zeros(arrival.size, np.int64)
    return PulseRows(number, arrival, arrival, none, none)


def test_record_that_is_late_once_was_delayed() -> None:
    """What comes after the records before it, and before the next, was that long on its way."""
    times = [10.0 * k for k in range(100)]
    times[40] += 7.0
    late = delays_of(rows(times)) / MS
    assert late.argmax() == 40
    assert late.max() == pytest.approx(7.0, abs=0.2)
    assert np.delete(late, 40).max() == pytest.approx(0.0, abs=0.2)


def test_burst_after_a_stall_was_delayed() -> None:
    """Records that are read at once after a stall were delayed by as much as the oldest of them."""
    times = [10.0 * k for k in range(200)]
    times[50:60] = [600.0] * 10
    assert delays_of(rows(times)).max() / MS == pytest.approx(100.0, rel=0.1)


@pytest.mark.parametrize("begin", [10, 50, 90])
def test_hole_is_no_delay(begin: int) -> None:
    """Records that were never sent, wherever, do not make the others late."""
    times = [10.0 * k + 400.0 * (k >= begin) for k in range(100)]
    assert delays_of(rows(times)).max() / MS == pytest.approx(0.0, abs=1e-3)


def test_jitter_is_found_in_its_size() -> None:
    """Exponential delays of 6 ms give the largest of them, within a few intervals."""
    rng = np.random.default_rng(5)
    delay = rng.exponential(6.0, 800)
    made = np.maximum.accumulate(4.0 * np.arange(800) + delay)
    found = delays_of(rows(made.tolist())).max() / MS
    assert found == pytest.approx(float((made - 4.0 * np.arange(800)).max()), rel=0.2)
