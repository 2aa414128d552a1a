"""The fuzz target runs a little with every test run, and it can fail."""

from __future__ import annotations

import random
from typing import Any

import pytest

from fuzz.fuzz_decoders import Tally, Target, at_random, targets


def test_mutated_streams_give_only_records_and_faults() -> None:
    """Of every invented device; the long run is `python tests/fuzz/fuzz_decoders.py`."""
    tally = at_random(1, lambda so_far: so_far.runs >= 600)
    assert tally.records > 1000
    assert len(tally.faults) >= 8
    assert tally.bytes > 100_000


def test_decoder_that_loses_bytes_is_found() -> None:
    """The invariant is no empty one."""
    good = targets()[0][0]

    def make(ns_per_byte: int) -> Any:
        decoder = good.make(ns_per_byte)
        feed = decoder.feed_chunks
        decoder.feed_chunks = lambda chunks: feed([(time, data[:-1]) for time, data in chunks])
        return decoder

    with pytest.raises(AssertionError, match="bytes are not told"):
        Target("forgetful", make, good.limit).feed(b"abc\r\ndef", random.Random(1), Tally())
