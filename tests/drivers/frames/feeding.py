"""Feeds the same bytes in several ways and demands the same frames."""

import random
from typing import Any

import numpy as np

from drivers.feeding import Total, random_pieces, same, total
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.records import Fault
from swathe_drivers.settings import read_settings


def make(table: dict[str, Any], *, ns_per_byte: int = 0) -> RecordDecoder:
    """A decoder from a table of a settings file."""
    settings = read_settings(FramesSettings, table, key="protocol")
    return FramesDriver(settings).decoder(ns_per_byte=ns_per_byte)


def faults_of(found: Total) -> list[Fault]:
    """All faults that are described."""
    return [fault for batch in found.batches for fault in batch.faults]


def agree(one: Total, other: Total, *, but: tuple[str, ...] = ("time",)) -> None:
    """Assert equal records and equal account of the bytes."""
    same(one.readings, other.readings, but=but)
    same(one.positions, other.positions, but=but)
    if one.waveforms is not None:
        assert other.waveforms is not None
        assert one.waveforms.dtype == other.waveforms.dtype
        np.testing.assert_array_equal(one.waveforms, other.waveforms)
    assert one.n_faults == other.n_faults
    assert one.n_ignored == other.n_ignored
    assert (one.record_bytes, one.fault_bytes, one.ignored_bytes) == (
        other.record_bytes,
        other.fault_bytes,
        other.ignored_bytes,
    )


def assert_parses(table: dict[str, Any], data: bytes, *, seed: int = 1, every: int = 1) -> Total:
    """Feed bytes whole, `every` so many, and cut at random; demand the same of each."""
    decoder = make(table)
    whole = total([decoder.feed(data, 0)])
    assert whole.bytes + decoder.pending == len(data)
    bytewise = make(table)
    small = total(bytewise.feed(data[at : at + every], at) for at in range(0, len(data), every))
    agree(whole, small)
    assert bytewise.pending == decoder.pending
    cutting = make(table)
    cut = total(cutting.feed(piece, 0) for piece in random_pieces(data, random.Random(seed)))
    agree(whole, cut)
    assert whole.faults == small.faults == cut.faults
    return whole
