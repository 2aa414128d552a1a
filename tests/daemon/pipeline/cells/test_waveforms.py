"""Waveforms of readings that are not placed yet: found by offset, in any order, until dropped."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline.cells.waveforms import PendingWaveforms

OFFSETS = (10, 30, 50)


def kept(*offsets: int) -> PendingWaveforms:
    """Return waveforms put one by one, each of two samples that are its reading's offset."""
    pending = PendingWaveforms()
    for offset in offsets:
        one = readings([0])
        one["offset"] = offset
        pending.put(one, np.full((1, 2), offset))
    return pending


@pytest.mark.parametrize("wanted", [(10,), (50,), (50, 10), (10, 30, 50), ()])
def test_waveforms_are_those_of_the_offsets(wanted: tuple[int, ...]) -> None:
    """The first and the last one kept are found as the others are, in the order of the question."""
    found = kept(*OFFSETS).take(np.array(wanted, np.int64))
    assert found.tolist() == [[offset, offset] for offset in wanted]


@pytest.mark.parametrize("wanted", [0, 20, 60])
def test_waveform_that_is_not_kept_is_refused(wanted: int) -> None:
    """Another reading's waveform is never returned in its stead, before, between or after them."""
    for pending in (kept(*OFFSETS), PendingWaveforms()):
        with pytest.raises(LookupError, match="a waveform was dropped"):
            pending.take(np.array([wanted]))


@pytest.mark.parametrize(
    ("before", "rest"), [(10, 3), (11, 2), (30, 2), (50, 1), (51, 0), (None, 0)]
)
def test_forget_before_an_offset_keeps_it_and_what_follows(before: int | None, rest: int) -> None:
    """What precedes the offset is dropped, the offset's own is not; None drops all."""
    pending = kept(*OFFSETS)
    pending.forget_before(before)
    remaining = OFFSETS[len(OFFSETS) - rest :]
    assert pending.take(np.array(remaining, np.int64))[:, 0].tolist() == list(remaining)
    for offset in OFFSETS[: len(OFFSETS) - rest]:
        with pytest.raises(LookupError):
            pending.take(np.array([offset]))
