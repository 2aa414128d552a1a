"""Layout of the columns."""

import re

import numpy as np
import pytest

from swathe_drivers.records import ABSENT_TIME, READING, Batch, position_dtype


def test_reading_columns_have_their_widths() -> None:
    """Times are int64, lengths doubles, the amplitude a single."""
    kinds = {name: READING[name].str for name in READING.names or ()}
    assert kinds == {
        "time": "<i8",
        "device_time": "<i8",
        "time_of_flight": "<f8",
        "thickness": "<f8",
        "amplitude": "<f4",
        "valid": "|b1",
        "probe": "|u1",
        "sequence": "<i8",
        "offset": "<i8",
        "size": "<i4",
        "flags": "<u2",
    }
    assert np.iinfo(np.int64).min == ABSENT_TIME


@pytest.mark.parametrize("n_axes", [0, 1, 3])
def test_position_counts_have_one_column_per_axis(n_axes: int) -> None:
    """Also with one axis, and with none."""
    assert np.zeros(4, position_dtype(n_axes))["counts"].shape == (4, n_axes)


def test_position_dtype_of_negative_axes_is_refused() -> None:
    """A mistake in the call is told by name, requirement and value."""
    message = re.escape("'n_axes' must be >= 0 (got -1)")
    with pytest.raises(ValueError, match=f"^{message}$"):
        position_dtype(-1)


def test_batch_without_arguments_is_empty() -> None:
    """Nothing read, nothing faulty."""
    batch = Batch()
    assert (batch.readings.size, batch.positions.size, batch.faults) == (0, 0, ())
    assert (batch.record_bytes, batch.fault_bytes, batch.ignored_bytes) == (0, 0, 0)
    assert (batch.readings_known_at.size, batch.positions_known_at.size) == (0, 0)
