"""What a decoder gives does not depend on how its bytes are cut or how many are fed at once.

Streams of every driver, sound and damaged: bit for bit the same records, times, faults and counts.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.frames import tables
from drivers.protocols.invented import PROTOCOLS, Protocol
from drivers.strategies import VARIANTS
from swathe_drivers.abc import Decoder
from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.description import parse_description
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.modbus import ModbusDriver, ModbusSettings
from swathe_drivers.rtu import with_crc
from swathe_drivers.testing.feeding import (
    MS,
    assert_same_stream,
    at_times,
    in_groups,
    one_by_one,
    random_pieces,
)

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Device:
    """A decoder and what its device sends.

    Attributes:
        decoder: makes a new one, of a line whose bytes take so many ns.
        part: a record of the given number, or garbage.
        gap_ms: silence behind each part.
    """

    decoder: Callable[[int], Decoder]
    part: Callable[[int, random.Random], bytes]
    gap_ms: int = 0


def of_protocol(protocol: Protocol) -> Device:
    """An invented device; a third of its parts are garbage."""
    found = parse_description(protocol.description, protocol.name)

    def part(number: int, source: random.Random) -> bytes:
        if source.random() < 1 / 3:
            return protocol.garbage(source)
        return protocol.record(number, source).data

    return Device(lambda ns: found.decoder(ns_per_byte=ns), part, protocol.gap_ms)


def of_table(table: dict[str, Any]) -> Device:
    """A device whose frames a table of the tests of frames describes."""
    driver = FramesDriver(FramesSettings.model_validate(table))
    return Device(
        lambda ns: driver.decoder(ns_per_byte=ns), lambda _, source: tables.piece(table, source)
    )


QUADRATURE = """
[protocol]
columns = [{ is = "quadrature", axis = "scan" }, { is = "thickness", unit = "mm", empty = "no_echo" }]
"""

TWO_READS = {
    "unit": 5,
    "reads": [
        {
            "fields": [
                {"is": "counts", "axis": "scan", "register": 16, "type": "int32"},
                {"is": "counts", "axis": "index", "register": 24, "type": "int32"},
            ]
        },
        {
            "registers": "input",
            "fields": [{"is": "thickness", "unit": "mm", "register": 2, "type": "uint16"}],
        },
    ],
}


def edges() -> Device:
    """An encoder that sends its two lines, with steps that skip one."""
    found = parse_description(QUADRATURE, "edges")

    def part(number: int, source: random.Random) -> bytes:
        state = (0, 1, 3, 2)[number % 4] if source.random() < 0.9 else source.randrange(5)
        return f"{state},{source.choice(['', '8.25', 'x', '1e1'])}\r\n".encode()

    return Device(lambda ns: found.decoder(ns_per_byte=ns), part)


NUMBERS = (
    "0", "7", "+5", "-3", "12.5", "80.0", "-0.0", "-0", "5.", ".5", "0.125", "123456789", "1234567890", "65535",
    "123456789.123456789", "9007199254740993", "0.1000000000000000055", "1e5", "-1e-3", "1e999",
    "99999999999999999999", "16777216", "4294967295", "4294967296", "1.2.3", "--1", "1_0", "nan",
    "inf", "x", "", " ", " 7 ", "999.99", "---", "E", "N", "1\x00", ".", "-", "+",
)  # fmt: skip
"""Texts in columns: numbers of every shape, and what only looks like one."""


def of_lines(table: dict[str, Any]) -> Device:
    """A device whose lines a table of the tests of lines describes; most columns are sound."""
    driver = DelimitedDriver(DelimitedSettings.model_validate(table))
    sound = {
        "ignore": "abc",
        "status": "E",
        "sequence": "12",
        "counts": "7",
        "device_time": "5000",
    }
    separator, end = str(table.get("separator", ",")), str(table.get("terminator", "\r\n"))

    def part(number: int, source: random.Random) -> bytes:
        texts = [
            source.choice(NUMBERS)
            if source.random() < 0.1
            else column.get("text", sound.get(column["is"], f"{number / 8:.3f}"))
            for column in table["columns"]
        ]
        return (separator.join(texts) + end).encode("latin-1")

    return Device(lambda ns: driver.decoder(ns_per_byte=ns), part)


def two_reads(framing: str) -> Device:
    """A Modbus device that is asked for positions and readings in turn."""
    driver = ModbusDriver(ModbusSettings.model_validate(TWO_READS | {"framing": framing}))

    def tcp(number: int, source: random.Random) -> bytes:
        """An answer to the read whose number the lowest bits of the transaction have."""
        read = number % 2
        data = number.to_bytes(20, "big") if read == 0 else source.randbytes(2)
        message = bytes([5, 3 + read, len(data)]) + data
        if source.random() < 0.2:
            message = bytes([5, 0x83 + read, 2])
        head = (16 * number + read).to_bytes(2, "big") + b"\0\0" + len(message).to_bytes(2, "big")
        return (source.randbytes(5) if source.random() < 0.1 else b"") + head + message

    def part(number: int, source: random.Random) -> bytes:
        match source.randrange(6):
            case 0:
                return source.randbytes(source.randrange(9))
            case 4:  # an answer seems to begin, in which shorter ones are found once it has failed
                return bytes([5, 3, 20])
            case 1:
                return with_crc(bytes([5, 0x83, 2]))
            case 2:
                return with_crc(bytes([5, 4, 2]) + source.randbytes(2))
            case _:
                return with_crc(bytes([5, 3, 20]) + number.to_bytes(20, "big"))

    return Device(lambda ns: driver.decoder(ns_per_byte=ns), tcp if framing == "tcp" else part)


PLAIN_TABLES = [table for table in VARIANTS if "checksum" not in table]

DEVICES = {
    **{protocol.name: of_protocol(protocol) for protocol in PROTOCOLS},
    **{f"frames: {name}": of_table(table) for name, table in tables.VARIANTS.items()},
    **{f"lines: {index}": of_lines(table) for index, table in enumerate(PLAIN_TABLES)},
    "quadrature": edges(),
    "two reads": two_reads("rtu"),
    "two reads over TCP": two_reads("tcp"),
}

each = pytest.mark.parametrize("name", DEVICES)


def stream(device: Device, source: random.Random, *, spoilt: bool) -> list[bytes]:
    """Parts that the device sent, perhaps with some bytes changed, lost or too many."""
    parts = [device.part(number, source) for number in range(source.randrange(1, 40))]
    if not spoilt:
        return parts
    return [_spoilt(part, source) if source.random() < 0.3 else part for part in parts]


def _spoilt(part: bytes, source: random.Random) -> bytes:
    data = bytearray(part)
    at = source.randrange(len(data) + 1)
    match source.randrange(3):
        case 0:
            del data[at : at + source.randrange(1, 4)]
        case 1:
            data[at:at] = source.randbytes(source.randrange(1, 4))
        case _:
            data[at : at + 1] = source.randbytes(1)
    return bytes(data)


def in_pieces(parts: Sequence[bytes], source: random.Random) -> list[bytes]:
    """The parts cut anywhere, or each as it is."""
    if source.random() < 0.5:
        return [piece for part in parts for piece in random_pieces(part, source, cuts=4)]
    return random_pieces(b"".join(parts), source, cuts=60)


@each
@given(seed=st.integers(0, 2**32), spoilt=st.booleans(), ns=st.sampled_from([0, 87_000]))
@settings(max_examples=8)
def test_chunks_fed_in_groups_give_the_same(name: str, seed: int, spoilt: bool, ns: int) -> None:
    """Few or many chunks in one call: even the times, and when each record became known."""
    device, source = DEVICES[name], random.Random(seed)
    pieces = in_pieces(stream(device, source, spoilt=spoilt), source)
    chunks = at_times(pieces, source, silence_ns=device.gap_ms * MS)
    alone = one_by_one(device.decoder(ns), chunks)
    for most in (3, 1000):
        found = in_groups(device.decoder(ns), chunks, source, most=most)
        assert_same_stream(alone, found)
        for known in (found.readings_known_at, found.positions_known_at):
            assert (np.diff(known) >= 0).all()


@each
@given(seed=st.integers(0, 2**32), spoilt=st.booleans())
@settings(max_examples=8)
def test_bytes_of_one_time_cut_anywhere_give_the_same(name: str, seed: int, spoilt: bool) -> None:
    """A chunk cut into pieces of the same time is no other stream."""
    device, source = DEVICES[name], random.Random(seed)
    parts = stream(device, source, spoilt=spoilt)
    whole = at_times(parts, source, silence_ns=device.gap_ms * MS)
    cut = [(time, piece) for time, part in whole for piece in random_pieces(part, source, cuts=5)]
    bytewise = [(time, part[at : at + 1]) for time, part in whole for at in range(len(part))]
    wanted = one_by_one(device.decoder(0), whole)
    assert_same_stream(wanted, in_groups(device.decoder(0), cut, source))
    assert_same_stream(wanted, in_groups(device.decoder(0), bytewise, source))


@each
def test_flood_of_faults_ends_with_the_same_newest(name: str) -> None:
    """More faults than are described: the last ones are, whether they came at once or not."""
    device, source = DEVICES[name], random.Random(1)
    parts = [_spoilt(device.part(number, source), source) for number in range(600)]
    whole = at_times(parts, source, silence_ns=device.gap_ms * MS)
    alone = one_by_one(device.decoder(0), whole)
    assert alone.n_faults.total() > 64
    assert_same_stream(alone, in_groups(device.decoder(0), whole, source, most=1000))


@each
@pytest.mark.parametrize("seed", range(2))
def test_many_records_at_once_are_those_of_one_after_the_other(name: str, seed: int) -> None:
    """Many are decoded together as columns, few one by one: the same, to the last bit."""
    device, source = DEVICES[name], random.Random(seed)
    parts = [device.part(number, source) for number in range(300)]
    chunks = at_times(parts, source, silence_ns=device.gap_ms * MS)
    alone = one_by_one(device.decoder(0), chunks)
    assert_same_stream(alone, in_groups(device.decoder(0), chunks, source, most=1000))
    assert alone.records > 10
