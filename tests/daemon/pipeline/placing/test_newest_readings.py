"""The newest readings of a device."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.newest_readings import NEWEST_READINGS, NewestReadings
from swathe_drivers.records import READING


@pytest.mark.parametrize("size", [1, 7, 20, 33])
def test_newest_ones_remain_however_they_come(size: int) -> None:
    """The last twenty remain, with the A-scan of the last one, and no memory of the batch."""
    readings = np.zeros(100, READING)
    readings["amplitude"] = np.arange(100)
    waveforms = np.arange(300, dtype=np.int16).reshape(100, 3)
    known = np.arange(100) * 10
    newest = NewestReadings()
    for at in range(0, 100, size):
        part = slice(at, at + size)
        newest.take(readings[part], known[part], waveforms[part])
    newest.take(readings[:0], known[:0], waveforms[:0])
    assert newest.readings["amplitude"].tolist() == list(range(100 - NEWEST_READINGS, 100))
    assert newest.known.tolist() == list(range(800, 1000, 10))
    assert newest.waveform is not None
    assert newest.waveform.tolist() == [297, 298, 299]
    for kept in (newest.readings, newest.waveform, newest.known):
        assert kept.base is None
        assert not np.shares_memory(kept, readings)


@pytest.mark.parametrize("size", [1, 7, 50, 300])
def test_newest_ones_of_each_input_remain(size: int) -> None:
    """Of an input that sends one reading in ten, too, once a second one has come."""
    readings = np.zeros(300, READING)
    readings["amplitude"] = np.arange(300)
    readings["probe"] = np.where(np.arange(300) % 10 == 0, 4, 2)
    newest = NewestReadings()
    for at in range(0, 300, size):
        part = slice(at, at + size)
        newest.take(readings[part], np.arange(300)[part], None)
    found, known = newest.all_of_input(4)
    assert found["amplitude"].tolist() == known.tolist() == list(range(100, 300, 10))
    found, _ = newest.all_of_input(2)
    assert found["amplitude"].tolist() == [n for n in range(278, 300) if n % 10]
    assert newest.all_of_input(3)[0].size == 0
    assert newest.all_of_input(None)[0]["amplitude"].tolist() == list(range(280, 300))
    lone = NewestReadings()
    lone.take(readings[readings["probe"] == 2], known=np.arange(270), waveforms=None)
    assert (lone.all_of_input(2)[0].size, lone.all_of_input(4)[0].size) == (20, 0)
