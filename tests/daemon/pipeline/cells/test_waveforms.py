"""Waveforms of readings that are not placed yet: found by offset, in any order, until dropped."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.pipeline.cells.waveforms import PendingWaveforms

OFFSETS = (10, 30, 50)


def at(*offsets: int, probe: int = 0) -> NDArray[Any]:
    """Return readings of a probe with these byte offsets."""
    made = readings([0] * len(offsets))
    made["offset"], made["probe"] = offsets, probe
    return made


def kept(*offsets: int) -> PendingWaveforms:
    """Return waveforms put one by one, each of two samples that are its reading's offset."""
    pending = PendingWaveforms()
    for offset in offsets:
        pending.put(at(offset), np.full((1, 2), offset))
    return pending


@pytest.mark.parametrize("wanted", [(10,), (50,), (50, 10), (10, 30, 50), ()])
def test_waveforms_are_those_of_the_offsets(wanted: tuple[int, ...]) -> None:
    """The first and the last one kept are found as the others are, in the order of the question."""
    found = kept(*OFFSETS).take(at(*wanted))
    assert found.tolist() == [[offset, offset] for offset in wanted]


@pytest.mark.parametrize("wanted", [0, 20, 60])
def test_waveform_that_is_not_kept_is_refused(wanted: int) -> None:
    """Another reading's waveform is never returned in its stead, before, between or after them."""
    for pending in (kept(*OFFSETS), PendingWaveforms()):
        with pytest.raises(LookupError, match="a waveform was dropped"):
            pending.take(at(wanted))


@pytest.mark.parametrize(
    ("before", "rest"), [(10, 3), (11, 2), (30, 2), (50, 1), (51, 0), (None, 0)]
)
def test_forget_before_an_offset_keeps_it_and_what_follows(before: int | None, rest: int) -> None:
    """What precedes the offset is dropped, the offset's own is not; None drops all."""
    pending = kept(*OFFSETS)
    pending.forget_before(None if before is None else np.array([before]))
    remaining = OFFSETS[len(OFFSETS) - rest :]
    assert pending.take(at(*remaining))[:, 0].tolist() == list(remaining)
    for offset in OFFSETS[: len(OFFSETS) - rest]:
        with pytest.raises(LookupError):
            pending.take(at(offset))


def test_waveforms_of_probes_whose_streams_have_the_same_offsets_stay_apart() -> None:
    """Two gauges count their bytes from 0; several readings of one record have one offset."""
    pending = PendingWaveforms()
    for offset in OFFSETS:
        for probe in (1, 0):
            pending.put(at(offset, probe=probe), np.full((1, 1), 100 * probe + offset))
    assert pending.take(at(50, 10, probe=1))[:, 0].tolist() == [150, 110]
    assert pending.take(at(30, 50))[:, 0].tolist() == [30, 50]
    pending.forget_before(np.array([30, 50]))
    assert pending.take(at(30, 50))[:, 0].tolist() == [30, 50]
    assert pending.take(at(50, probe=1))[:, 0].tolist() == [150]
    with pytest.raises(LookupError):
        pending.take(at(30, probe=1))
