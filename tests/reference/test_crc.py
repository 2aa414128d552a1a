"""Checksums against published values.

Source: the public catalogue of parametrised CRC algorithms (Greg Cook's), whose check value is the
CRC of the nine bytes "123456789" and whose names are used here. The Modbus request is the one of
the Modbus over Serial Line specification's kind, computed apart from this code: its CRC is sent
with the low byte first. The long messages are judged by Python's `zlib` and `binascii`.
"""

from __future__ import annotations

import binascii
import random
import zlib
from functools import reduce
from operator import xor
from typing import Any

import numpy as np
import pytest

from drivers.frames.frame_model import crc as bit_by_bit
from swathe_drivers.checksums import Crc, CrcParameters, simple_sums

CATALOGUE: list[tuple[str, dict[str, Any], int]] = [
    ("CRC-16/MODBUS", {"width": 16, "poly": 0x8005, "init": 0xFFFF, "reflect_in": True, "reflect_out": True}, 0x4B37),
    ("CRC-16/ARC", {"width": 16, "poly": 0x8005, "reflect_in": True, "reflect_out": True}, 0xBB3D),
    ("CRC-16/XMODEM", {"width": 16, "poly": 0x1021}, 0x31C3),
    ("CRC-16/IBM-3740", {"width": 16, "poly": 0x1021, "init": 0xFFFF}, 0x29B1),
    ("CRC-16/KERMIT", {"width": 16, "poly": 0x1021, "reflect_in": True, "reflect_out": True}, 0x2189),
    ("CRC-32/ISO-HDLC", {"width": 32, "poly": 0x04C11DB7, "init": 0xFFFFFFFF, "reflect_in": True, "reflect_out": True, "xorout": 0xFFFFFFFF}, 0xCBF43926),
    ("CRC-8/SMBUS", {"width": 8, "poly": 0x07}, 0xF4),
    ("CRC-8/MAXIM-DOW", {"width": 8, "poly": 0x31, "reflect_in": True, "reflect_out": True}, 0xA1),
]  # fmt: skip


def rows(*messages: bytes) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Messages of one length as rows of bytes."""
    return np.frombuffer(b"".join(messages), np.uint8).reshape(len(messages), -1)


@pytest.mark.parametrize(("name", "parameters", "check"), CATALOGUE)
def test_crc_of_the_check_message_is_that_of_the_catalogue(
    name: str, parameters: dict[str, Any], check: int
) -> None:
    """Every algorithm gives its published check value, alone and among others."""
    crc = Crc(CrcParameters(**parameters))
    assert crc.of(rows(b"123456789")).tolist() == [check], name
    assert crc.of(rows(b"123456788", b"123456789")).tolist()[1] == check


def test_crc_of_modbus_request_is_c5_cd() -> None:
    """The request 01 03 00 00 00 0A ends in C5 CD, the low byte of the CRC first."""
    request = bytes.fromhex("01 03 00 00 00 0A")
    (found,) = Crc(CrcParameters(**CATALOGUE[0][1])).of(rows(request)).tolist()
    assert found.to_bytes(2, "little") == bytes.fromhex("C5 CD")


@pytest.mark.parametrize("length", [0, 1, 2, 127, 128, 129, 300, 1024])
def test_crc_of_any_length_agrees_with_the_standard_library(length: int) -> None:
    """Also where the message is longer than a block of the tables, or no whole number of them."""
    source = random.Random(length)
    messages = [source.randbytes(length) for _ in range(5)]
    data = rows(*messages) if length else np.empty((5, 0), np.uint8)
    of_32 = Crc(CrcParameters(**CATALOGUE[5][1])).of(data).tolist()
    assert of_32 == [zlib.crc32(message) for message in messages]
    of_16 = Crc(CrcParameters(**CATALOGUE[3][1])).of(data).tolist()
    assert of_16 == [binascii.crc_hqx(message, 0xFFFF) for message in messages]


@pytest.mark.parametrize("width", [8, 16, 32])
@pytest.mark.parametrize("reflect_in", [False, True])
@pytest.mark.parametrize("reflect_out", [False, True])
def test_crc_of_any_parameters_agrees_with_long_division(
    width: int, reflect_in: bool, reflect_out: bool
) -> None:
    """Any polynomial, initial value and final xor, and bits mirrored at one end only."""
    source = random.Random(width)
    for _ in range(5):
        parameters: dict[str, Any] = {
            "width": width,
            "poly": source.getrandbits(width) | 1,
            "init": source.getrandbits(width),
            "reflect_in": reflect_in,
            "reflect_out": reflect_out,
            "xorout": source.getrandbits(width),
        }
        message = source.randbytes(source.randrange(1, 300))
        found = Crc(CrcParameters(**parameters)).of(rows(message)).tolist()
        assert found == [bit_by_bit(message, parameters)]


def test_crc_of_many_rows_is_that_of_each() -> None:
    """Rows are looked up in groups; the borders between these show nowhere."""
    data = np.random.default_rng(1).integers(0, 256, (5000, 130), np.uint8)
    found = Crc(CrcParameters(**CATALOGUE[5][1])).of(data)
    assert found.tolist() == [zlib.crc32(row.tobytes()) for row in data]


@pytest.mark.parametrize("modulo", [None, 255, 256])
def test_fletchers_checksum_agrees_with_its_definition(modulo: int | None) -> None:
    """Two sums, a byte at a time, as Fletcher's paper of 1982 has them; and two examples that are often quoted."""
    source = random.Random(7)
    messages = [source.randbytes(200) for _ in range(20)] + [b"\xff" * 200]
    wanted = []
    for message in messages:
        low = high = 0
        for byte in message:
            low = (low + byte) % (modulo or 255)
            high = (high + low) % (modulo or 255)
        wanted.append(256 * high + low)
    assert simple_sums("fletcher16", rows(*messages), modulo).tolist() == wanted
    assert simple_sums("fletcher16", rows(b"abcde")).tolist() == [0xC8F0]
    assert simple_sums("fletcher16", rows(b"abcdef")).tolist() == [0x2057]
    assert simple_sums("fletcher16", np.empty((2, 0), np.uint8)).tolist() == [0, 0]


def test_sums_modulo_another_number_agree_with_python() -> None:
    """Also where the sum is beyond 16 bits."""
    messages = [b"\xff" * 300, b"\xfe" * 300]
    assert simple_sums("sum16", rows(*messages), 1000).tolist() == [sum(m) % 1000 for m in messages]


def test_simple_sums_agree_with_python() -> None:
    """Sums wrap at their width; the exclusive or has none."""
    messages = [b"\xff" * 300, bytes(range(256)) + bytes(44)]
    assert simple_sums("sum8", rows(*messages)).tolist() == [sum(m) % 256 for m in messages]
    assert simple_sums("sum16", rows(*messages)).tolist() == [sum(m) % 65536 for m in messages]
    assert simple_sums("xor8", rows(b"\x01\x02\x04", b"\x01\x01\x80")).tolist() == [7, 0x80]
    assert simple_sums("xor8", np.empty((2, 0), np.uint8)).tolist() == [0, 0]


@pytest.mark.parametrize("length", [0, 1, 13, 47, 48, 49, 300])
@pytest.mark.parametrize("count", [0, 1, 200])
def test_simple_sums_of_any_shape_agree_with_python(length: int, count: int) -> None:
    """Few and many rows, short ones and long ones, cut out of frames with more bytes."""
    frames = np.random.default_rng(length).integers(0, 256, (count, length + 3), np.uint8)
    pieces = frames[:, 1 : 1 + length]
    messages = [row.tobytes() for row in pieces]
    xors = [reduce(xor, message, 0) for message in messages]
    assert simple_sums("sum8", pieces).tolist() == [sum(m) % 256 for m in messages]
    assert simple_sums("sum16", pieces).tolist() == [sum(m) % 65536 for m in messages]
    assert simple_sums("xor8", pieces).tolist() == xors


@pytest.mark.parametrize("length", [1, 12, 127, 130])
@pytest.mark.parametrize("count", [1, 7 * 12, 8 * 12, 2100])
def test_crc_of_any_number_of_rows_agrees_with_the_standard_library(
    length: int, count: int
) -> None:
    """Few rows are looked up together, many place by place: the same remainders."""
    frames = np.random.default_rng(length).integers(0, 256, (count, length + 2), np.uint8)
    pieces = frames[:, :length]
    found = Crc(CrcParameters(**CATALOGUE[5][1])).of(pieces)
    assert found.tolist() == [zlib.crc32(row.tobytes()) for row in pieces]
