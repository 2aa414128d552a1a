"""The contract of `swathe_drivers.testing`, over every driver that comes with Swathe."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.protocols.invented import PROTOCOLS
from swathe_drivers.description import parse_description
from swathe_drivers.records import Batch
from swathe_drivers.registry import driver_names
from swathe_drivers.testing import DriverContract, nothing_left_behind

BY_NAME = {protocol.name: protocol for protocol in PROTOCOLS}


def told(name: str, noise: int = 40) -> dict[str, Any]:
    """What the contract has to know of an invented device."""
    protocol, source = BY_NAME[name], random.Random(4)
    tables = tomllib.loads(protocol.description)
    garbage = b""
    while len(garbage) < noise:
        garbage += protocol.garbage(source)
    decoder = parse_description(protocol.description, name).decoder(ns_per_byte=0)
    wrap = decoder.sequence_wrap or 1000
    for first in range(wrap - 2, 60 * wrap, wrap):  # the number starts again at the third record
        sent = [protocol.record(number, source) for number in range(first, first + 4)]
        if {one.says.get("valid", False) for one in sent} != {True}:
            break
    return {
        "driver": tables.get("driver", "delimited"),
        "settings": tables["protocol"],
        "records": tuple(one.data for one in sent),
        "values": tuple({k: v for k, v in one.says.items() if k != "waveform"} for one in sent),
        "garbage": garbage,
        "silence_ms": protocol.gap_ms,
        "checksum": "checksum" in tables["protocol"] or tables.get("driver") == "modbus",
    }


class TestDelimited(DriverContract):
    """Lines with separators."""

    locals().update(told("sentences"))


class TestFixedColumns(DriverContract):
    """Lines with columns at fixed places."""

    locals().update(told("fixed columns"))


class TestPattern(DriverContract):
    """Lines that fit a pattern."""

    locals().update(told("words"))


class TestFixedFrames(DriverContract):
    """Frames of one length."""

    locals().update(told("encoder box"))


class TestLengthPrefixedFrames(DriverContract):
    """Frames that tell their length."""

    locals().update(told("A-scans"))


class TestStartStopFrames(DriverContract):
    """Frames between two bytes."""

    locals().update(told("STX and ETX"))


class TestIdleGapFrames(DriverContract):
    """Frames between silences."""

    locals().update(told("silences"))


class TestModbus(DriverContract):
    """Answers of a Modbus device."""

    locals().update(told("registers"))


def test_every_driver_of_ours_is_held_to_the_contract() -> None:
    """None is forgotten."""
    held = {cls.driver for cls in DriverContract.__subclasses__()}
    assert held >= {name for name in driver_names() if not name.startswith("invented")}


class _Forgetful:
    """Does a driver's work, but for one mistake."""

    def __init__(self, decoder: Any, mistake: str) -> None:
        self._decoder = decoder
        self._mistake = mistake
        self._kept: list[bytes] = []
        self._last: Batch | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._decoder, name)

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode, wrongly."""
        if self._mistake == "raises" and b"\x00" in data:
            raise ValueError
        if self._mistake == "keeps":
            self._kept.append(bytes(data) + b" ")
        if self._mistake == "late":
            time_ns += 1_000_000_000
        if self._mistake == "cuts" and len(data) == 1:
            data = b""
        found: Batch = self._decoder.feed(data, time_ns)
        if found.readings.size or found.positions.size:
            self._last = found
        return replace(found, faults=found.faults[:1]) if self._mistake == "sums up" else found

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode, wrongly."""
        found: Batch = self._decoder.feed_chunks(chunks)
        if self._mistake != "waits":
            return found
        last = chunks[-1][0]
        return replace(
            found,
            readings_known_at=np.full_like(found.readings_known_at, last),
            positions_known_at=np.full_like(found.positions_known_at, last),
        )

    def reset(self, offset: int) -> Batch:
        """Forget, wrongly."""
        if self._mistake == "clings":
            return self._decoder.feed(b"", 0)  # type: ignore[no-any-return]
        if self._mistake == "flushes" and self._last is not None:
            return self._last
        found: Batch = self._decoder.reset(offset)
        return found


@pytest.mark.parametrize(
    ("mistake", "test"),
    [
        ("raises", "test_any_bytes_give_only_records_and_faults"),
        ("keeps", "test_memory_is_bounded_whatever_comes"),
        ("late", "test_times_never_fall_and_lie_in_the_past"),
        ("cuts", "test_stream_cut_at_every_byte_gives_the_same"),
        ("sums up", "test_newest_faults_are_described_however_many_there_are"),
        ("waits", "test_chunks_fed_together_give_the_same"),
        ("flushes", "test_reset_gives_no_record"),
        ("clings", "test_record_cut_off_by_a_lost_port_is_one_partial_fault"),
    ],
)
def test_contract_finds_a_driver_that_breaks_it(mistake: str, test: str) -> None:
    """Each of these mistakes fails the test that is meant for it, and none without."""

    class Broken(DriverContract):
        locals().update(told("encoder box"))

        def decoder(self, *, ns_per_byte: int = 0) -> Any:
            return _Forgetful(super().decoder(ns_per_byte=ns_per_byte), mistake)

    contract = Broken()
    with pytest.raises((AssertionError, ValueError)):
        getattr(contract, test)()


def test_file_left_open_is_found() -> None:
    """The check for what is left behind names it."""
    with pytest.raises(AssertionError, match=r"still open: .*null"), nothing_left_behind():
        held = open("/dev/null", "rb")  # noqa: PTH123, SIM115
    held.close()
