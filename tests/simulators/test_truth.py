"""The log of what really was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from swathe_simulators.truth import ROW, TruthLog, load_truth


def rows(*sequence: int) -> np.ndarray[tuple[int], np.dtype[np.void]]:
    """Return rows with a sequence and a host time ten times as large."""
    made = np.zeros(len(sequence), dtype=ROW)
    made["sequence"] = sequence
    made["host_time_ns"] = made["sequence"] * 10
    return made


def log() -> TruthLog:
    """Return an empty log of three devices."""
    return TruthLog({"e": "encoder", "g": "gauge", "c": "combined"}, {"seed": 3})


def test_rows_grow_beyond_first_buffer() -> None:
    """Thousands of small batches are all kept, in order."""
    truth = log()
    for number in range(0, 6000, 3):
        truth.append("g", rows(number, number + 1, number + 2))
    assert np.array_equal(truth.rows("g")["sequence"], np.arange(6000))


def test_readings_and_positions_merge_by_time() -> None:
    """Combined devices count as both; rows are in the order written."""
    truth = log()
    truth.append("e", rows(2, 5))
    truth.append("g", rows(1, 4))
    truth.append("c", rows(3))
    assert truth.readings()["sequence"].tolist() == [1, 3, 4]
    assert truth.positions()["sequence"].tolist() == [2, 3, 5]


def test_rows_unknown_device_lists_known() -> None:
    """A wrong name is answered with the right ones."""
    with pytest.raises(KeyError, match="there are: c, e, g"):
        log().rows("x")


def test_save_and_load_round_trip(tmp_path: Path) -> None:
    """A saved log comes back with all columns and its metadata."""
    truth = log()
    truth.append("g", rows(7, 8), dropped_bytes=5)
    truth.note(start_s=1.5)
    truth.save(tmp_path / "truth.npz")
    devices, facts = load_truth(tmp_path / "truth.npz")
    assert np.array_equal(devices["g"], truth.rows("g"))
    assert len(devices["e"]) == 0
    assert (facts["seed"], facts["start_s"], facts["dropped_bytes"]["g"]) == (3, 1.5, 5)


def test_load_other_file_is_refused(tmp_path: Path) -> None:
    """A file of something else is named as such."""
    np.savez(tmp_path / "x.npz", a=np.zeros(2))
    with pytest.raises(ValueError, match=r"x\.npz: has no 'metadata'"):
        load_truth(tmp_path / "x.npz")
