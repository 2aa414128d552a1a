"""Blocks of A-scans as bytes, taken apart and checked again here."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from swathe_simulators.device_models import WaveformModel
from swathe_simulators.protocol import block_size, columns, crc16, encode_blocks


def crc_bit_by_bit(data: bytes) -> int:
    """Return the CRC by long division: polynomial 0x1021, begun with 0xFFFF, not reflected.

    These parameters are those that pub.dev's cipherlib lists for IBM-3740.
    """
    rest = 0xFFFF
    for byte in data:
        rest ^= byte << 8
        for _ in range(8):
            rest = (rest << 1) ^ 0x1021 if rest & 0x8000 else rest << 1
            rest &= 0xFFFF
    return rest


def model(**keys: Any) -> WaveformModel:
    """Return an instrument of 16 samples, unless told otherwise."""
    plain = {"frequency_mhz": 5, "sampling_mhz": 50, "samples": 16}
    return WaveformModel.model_validate(plain | keys)


def test_crc16_check_value() -> None:
    """The text 123456789 gives 0x29B1 (CRC RevEng catalogue; from memory)."""
    assert crc16(b"123456789") == crc_bit_by_bit(b"123456789") == 0x29B1


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("bits", [8, 16])
def test_encode_every_field(order: str, bits: int) -> None:
    """Each field has its place, width, sign and byte order, and the CRC is of all before it."""
    waveform = model(bits=bits, byte_order=order)
    low = -(2 ** (bits - 1))
    wide = np.array([np.arange(16), [low, -1, *range(14)]], dtype=np.int16)
    codes = wide.astype(np.int8) if bits == 8 else wide
    first, second = encode_blocks(
        waveform,
        clock=np.array([7, 2**32 + 0x01020304], dtype=np.uint64),
        sequence=np.array([65535, 65536 + 0x0A0B]),
        coupled=np.array([True, False]),
        codes=codes,
    )
    sign, letter = {"big": ">", "little": "<"}[order], {8: "b", 16: "h"}[bits]
    layout = struct.Struct(f"{sign}2sHIHB16{letter}H")
    assert len(first) == len(second) == layout.size == block_size(waveform)
    sync, length, clock, sequence, status, *samples, crc = layout.unpack(first)
    assert (sync, length) == (b"\xa5\x5a", 7 + 16 * bits // 8)
    assert (clock, sequence, status) == (7, 65535, 1)
    assert samples == list(range(16))
    assert crc == crc_bit_by_bit(first[:-2])
    _, _, clock, sequence, status, *samples, crc = layout.unpack(second)
    assert (clock, sequence, status) == (0x01020304, 0x0A0B, 0)
    assert samples[:3] == [low, -1, 0]
    assert crc == crc_bit_by_bit(second[:-2])


def test_encode_longest_block_fits_its_length() -> None:
    """With as many samples as a model may have, the length is still told in 16 bits."""
    waveform = model(samples=65528, bits=8)
    (block,) = encode_blocks(
        waveform,
        clock=np.zeros(1, dtype=np.uint64),
        sequence=np.zeros(1, dtype=np.int64),
        coupled=np.ones(1, dtype=np.bool_),
        codes=np.zeros((1, 65528), dtype=np.int8),
    )
    assert block[2:4] == b"\xff\xff"
    assert len(block) == 0xFFFF + 6
    with pytest.raises(ValueError, match="must have samples <= 65528"):
        model(samples=65529, bits=8)


def test_encode_nothing_gives_nothing() -> None:
    """No rows give no blocks."""
    none = np.zeros(0, dtype=np.int64)
    codes = np.zeros((0, 16), dtype=np.int16)
    clock, coupled = none.astype(np.uint64), none.astype(np.bool_)
    assert encode_blocks(model(), clock=clock, sequence=none, coupled=coupled, codes=codes) == []


def test_columns_tell_what_a_decoder_needs() -> None:
    """The description names number, width and order of the samples."""
    told = columns(model(byte_order="little"))
    assert len(told) == 7
    assert told[5] == "16 samples (16 bits, signed, little endian)"
