"""The state of every kind of decoder comes back from a copy, even in the middle of a record."""

from __future__ import annotations

import random

import pytest

from drivers.protocols.invented import PROTOCOLS, Protocol
from swathe.store import freeze
from swathe.store.frozen import thaw
from swathe_drivers import parse_description
from swathe_drivers.testing.feeding import assert_same_stream, total

MS = 1_000_000


@pytest.mark.parametrize("protocol", PROTOCOLS, ids=lambda protocol: protocol.name)
@pytest.mark.parametrize("off", [0, 1, 3])
def test_copied_decoder_continues_as_the_original(protocol: Protocol, off: int) -> None:
    """Of each invented device: clocks of bytes, halves of records and counters are all there."""
    source = random.Random(3)
    records = [protocol.record(number, source).data for number in range(8)]
    decoder = parse_description(protocol.description, protocol.name).decoder(ns_per_byte=7)
    now = 0
    for data in records[:4]:
        decoder.feed(data, now)
        now += (protocol.gap_ms or 1) * MS
    decoder.feed(records[4][:off], now)
    frozen = freeze(decoder, most_bytes=1 << 24)
    assert frozen is not None
    copy = thaw(frozen.pickled, map(bytearray, frozen.parts()), ("swathe", "swathe_drivers"))
    found = []
    for each in (decoder, copy):
        time, rest = now, [records[4][off:], *records[5:], b"\xff" * 8]
        batches = []
        for data in rest:
            time += (protocol.gap_ms or 1) * MS * (data is not rest[0])
            batches.append(each.feed(data, time))
        found.append(total(batches))
    assert found[0].readings.size + found[0].positions.size > 0
    assert_same_stream(found[0], found[1])
