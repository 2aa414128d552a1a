"""Frames stuffed by COBS, against the rule of its paper, a byte at a time."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers.description import parse_description
from swathe_drivers.records import FaultReason

DECODER = """
driver = "frames"
[protocol]
framing = { kind = "cobs" }
checksum = { kind = "crc", width = 8, poly = 0x07, init = 0xFF }
fields = [{ is = "counts", axis = "scan", type = "i4" }, { is = "skip", bytes = "rest" }]
"""


def stuffed(data: bytes) -> bytes:
    """As Cheshire and Baker, IEEE/ACM Transactions on Networking 7 (2), 1999, have it (figure 3)."""
    out, block = bytearray(), bytearray()
    for byte in data + b"\0":  # a phantom 00 at the end
        if byte == 0:
            out += bytes([len(block) + 1]) + block
            block.clear()
            continue
        block.append(byte)
        if len(block) == 254:
            out += b"\xff" + block
            block.clear()
    # Their encoder leaves out the last code byte where 254 bytes without a 00 end the data.
    if (
        data[-254:].count(0) == 0
        and len(data.rsplit(b"\0", 1)[-1]) % 254 == 0
        and data
        and data[-1]
    ):
        out.pop()
    return bytes(out)


def test_stuffing_of_the_tests_is_that_of_known_examples() -> None:
    """Two of the many that are on the Web, and two around 254 bytes, worked by hand."""
    assert stuffed(b"\0") == b"\x01\x01"
    assert stuffed(b"\x11\x22\0\x33") == b"\x03\x11\x22\x02\x33"
    assert stuffed(bytes(range(1, 255))) == b"\xff" + bytes(range(1, 255))
    assert stuffed(bytes(range(1, 256))) == b"\xff" + bytes(range(1, 255)) + b"\x02\xff"


def sent(count: int, rest: bytes) -> bytes:
    """A frame, stuffed, without the 00 at its end."""
    body = count.to_bytes(4, "little", signed=True) + rest
    register = 0xFF
    for byte in body:  # a 00 more or less changes it
        register ^= byte
        for _ in range(8):
            register = register << 1 & 0xFF ^ (0x07 if register & 0x80 else 0)
    return stuffed(body + bytes([register]))


@given(
    st.lists(
        st.tuples(
            st.integers(-(2**31), 2**31 - 1),
            st.one_of(
                st.binary(max_size=20),
                st.integers(240, 260).map(lambda n: b"\x01" * n),
                st.integers(240, 515).map(lambda n: b"\x01" * n + b"\0" + b"\x02" * (n // 2)),
            ),
        ),
        min_size=1,
        max_size=6,
    ),
    st.integers(1, 300),
)
def test_frames_come_back_however_they_are_cut(frames: list[tuple[int, bytes]], size: int) -> None:
    """Around 254 bytes without a 00, too."""
    data = b"\0" + b"".join(sent(*frame) + b"\0" for frame in frames)
    decoder = parse_description(DECODER, "x").decoder(ns_per_byte=0)
    batches = [decoder.feed(data[at : at + size], 0) for at in range(0, len(data), size)]
    got = [count for batch in batches for count in batch.positions["counts"][:, 0].tolist()]
    assert got == [count for count, _ in frames]
    assert not any(batch.n_faults for batch in batches)


def test_code_byte_that_reaches_beyond_the_frame_is_a_fault() -> None:
    """By a single byte, too; the frame before and the one behind are read."""
    good = sent(0x07070707, b"ab")
    assert good[0] == len(good)
    bad = bytes([len(good) + 1]) + good[1:]
    decoder = parse_description(DECODER, "x").decoder(ns_per_byte=0)
    batch = decoder.feed(b"\0" + good + b"\0" + bad + b"\0" + good + b"\0", 0)
    assert batch.positions["counts"][:, 0].tolist() == [0x07070707] * 2
    assert dict(batch.n_faults) == {FaultReason.FRAME: 1}
    assert f"code byte {len(good) + 1:02X}" in batch.faults[0].detail
