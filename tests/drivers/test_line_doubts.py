"""What bytes show about the settings of their line, and that they show nothing else."""

from __future__ import annotations

import random

import pytest

from swathe_drivers.line_doubts import is_readable, line_doubt

LINES = b"".join(
    b"TH;%06.2f;%d\r\n" % (8 + 0.01 * number, 50 + number % 40) for number in range(20)
)


def _with_parity(data: bytes, name: str) -> bytes:
    """Return seven bits and their parity as a port that reads eight bits has them."""
    out = bytearray()
    for byte in data:
        odd = byte.bit_count() % 2
        out.append(byte | 0x80 * {"even": odd, "odd": 1 - odd, "mark": 1, "space": 0}[name])
    return bytes(out)


@pytest.mark.parametrize("name", ["even", "odd", "mark"])
def test_parity_that_is_taken_for_data_is_named(name: str) -> None:
    """From two dozen bytes on."""
    sent = _with_parity(LINES, name)
    assert not is_readable(sent)
    assert line_doubt(sent) == (
        f'these are 7 bits with {name} parity: set bytesize = 7 and parity = "{name}"'
    )
    assert line_doubt(sent[:20]) == ""


def test_bytes_that_show_nothing_give_no_doubt() -> None:
    """Text, numbers, noise, and what a port at another rate makes of text."""
    source = random.Random(1)
    assert is_readable(LINES)
    assert line_doubt(LINES) == line_doubt(_with_parity(LINES, "space")) == ""
    noise = source.randbytes(400)
    frames = b"".join(bytes([0xA5, 0x5A, 7, number, 0, 0xD9, 4, 0x50]) for number in range(50))
    for data in (noise, frames, b"\x00" * 100, b"\xff" * 100, b"UUUU" * 30):
        assert not is_readable(data)
        assert line_doubt(data) == ""
    doubtful = bytearray(_with_parity(LINES, "even"))
    for place in range(0, len(doubtful), 10):
        doubtful[place] ^= 0x80
    assert line_doubt(bytes(doubtful)) == ""
