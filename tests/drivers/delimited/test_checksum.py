"""Checksums of many lines at once, against one line at a time and published examples."""

import random
from functools import reduce
from operator import xor
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers import FaultReason
from swathe_drivers.delimited import DelimitedDecoder, DelimitedSettings
from swathe_drivers.delimited.checksum import LineChecker
from swathe_drivers.delimited.checksum_settings import LineCrc, LineSum
from swathe_drivers.description import parse_description
from swathe_drivers.errors import SettingsError
from swathe_drivers.settings import read_settings
from swathe_drivers.testing.feeding import Total, assert_same_columns, random_pieces, total


@pytest.mark.parametrize("kind", ["xor", "sum8"])
@given(
    bodies=st.lists(st.binary(max_size=12), min_size=1, max_size=8),
    first=st.integers(0, 3),
    marker=st.sampled_from(["*", "#%"]),
)
def test_check_sums_equals_plain_sum_of_each_line(
    kind: str, bodies: list[bytes], first: int, marker: str
) -> None:
    """Also for empty and too short bodies, which have neighbours on both sides."""
    settings = LineSum.model_validate({"kind": kind, "after": marker, "from": first})
    lines = [body + marker.encode() + b"A5" for body in bodies]
    block = np.frombuffer(b"\n".join(lines) + b"\n", np.uint8)
    lengths = np.array([len(line) for line in lines])
    ends = np.cumsum(lengths + 1) - 1
    sums = LineChecker(settings, b"\n").check(block, ends - lengths, ends)
    for index, body in enumerate(bodies):
        assert sums.present[index] == (len(body) >= first)
        if sums.present[index]:
            part = body[first:]
            assert sums.computed[index] == (
                reduce(xor, part, 0) if kind == "xor" else sum(part) % 256
            )
            assert sums.sent[index] == 0xA5
            assert sums.ends[index] == ends[index] - 2 - len(marker)


@pytest.mark.parametrize("tail", [b"", b"5", b"A5", b"*", b"*A", b"*G5", b"*5G", b"+A5", b"*A5 "])
def test_check_sums_without_marker_and_digits_is_absent(tail: bytes) -> None:
    """A checksum is two hexadecimal digits behind the marker, at the very end."""
    settings = LineSum.model_validate({"kind": "xor", "after": "*"})
    block = np.frombuffer(tail + b"\r\n", np.uint8)
    sums = LineChecker(settings, b"\n").check(block, np.array([0]), np.array([len(tail)]))
    assert not sums.present[0]


def _fed(checksum: dict[str, Any], data: bytes, *, terminator: str = "\r\n") -> Total:
    """What lines that mean nothing but their checksum give, fed whole and cut in several ways."""
    table = {
        "terminator": terminator,
        "separator": ";",
        "checksum": checksum,
        "columns": [{"is": "ignore"}, {"is": "counts", "axis": "scan"}],
    }
    settings = DelimitedSettings.model_validate(table)
    whole = total([DelimitedDecoder(settings).feed(data, 0)])
    pieces = [random_pieces(data, random.Random(seed)) for seed in range(12)]
    for cut in ([bytes([byte]) for byte in data], *pieces):
        decoder = DelimitedDecoder(settings)
        found = total(decoder.feed(piece, 0) for piece in cut)
        assert_same_columns(whole.positions, found.positions)
        assert (found.n_faults, found.bytes) == (whole.n_faults, whole.bytes)
    return whole


def _sent(kind: dict[str, Any], text: bytes, tail: bytes) -> bool:
    """Whether the checksum `tail` is that of `text`."""
    settings: LineSum | LineCrc = (LineCrc if kind["kind"] == "crc" else LineSum).model_validate(
        kind
    )
    line = text + tail
    sums = LineChecker(settings, b"\r\n").check(
        np.frombuffer(line + b"\r\n", np.uint8), np.array([0]), np.array([len(line)])
    )
    assert sums.present[0]
    assert sums.ends[0] == len(text)
    return bool(sums.sent[0] == sums.computed[0])


@pytest.mark.parametrize(
    ("parameters", "digits"),
    [
        ({"width": 16, "poly": 0x1021, "init": 0xFFFF}, b"29B1"),  # CRC-16/IBM-3740
        ({"width": 16, "poly": 0x8005, "reflect_in": True, "reflect_out": True}, b"BB3D"),  # ARC
        ({"width": 8, "poly": 0x07}, b"F4"),  # CRC-8/SMBUS
        (
            {"width": 32, "poly": 0x04C11DB7, "init": 0xFFFFFFFF, "reflect_in": True,
             "reflect_out": True, "xorout": 0xFFFFFFFF},
            b"CBF43926",  # CRC-32/ISO-HDLC
        ),
    ],
)  # fmt: skip
def test_crc_in_text_has_the_check_value_of_the_catalogue(
    parameters: dict[str, Any], digits: bytes
) -> None:
    """Of "123456789", by the public catalogue of parametrised CRC algorithms; in each notation."""
    kind = {"kind": "crc"} | parameters
    raw = bytes.fromhex(digits.decode())
    width = {1: 3, 2: 5, 4: 10}[len(raw)]
    assert _sent(kind, b"123456789", digits)
    assert _sent(kind, b"123456789", digits.lower())
    assert _sent(kind | {"byte_order": "little"}, b"123456789", raw[::-1].hex().encode())
    assert _sent(kind | {"written": "bytes"}, b"123456789", raw)
    assert _sent(kind | {"written": "bytes", "byte_order": "little"}, b"123456789", raw[::-1])
    decimal = f"{int(digits, 16):0{width}}".encode()
    assert _sent(kind | {"written": "decimal"}, b"123456789", decimal)
    assert not _sent(kind, b"123456788", digits)


@pytest.mark.parametrize(
    "line",
    [
        b":1103006B00037E",  # read three registers from 40108 of device 17; in many Modbus manuals
        b":010304010001F6",  # two worked examples of a maker of controllers: 0AH -> F6H,
        b":010302010001F8",  # 08H -> F8H
        b":0A0303E9000205",  # one of another maker: FBH -> 05H
    ],
)
def test_lrc_of_modbus_ascii_is_that_of_published_examples(line: bytes) -> None:
    """MODBUS over Serial Line V1.02, 6.2.1: the negated sum of the bytes, without colon and end."""
    kind = {"kind": "sum8", "negated": True, "over": "hex", "from": 1}
    assert _sent(kind, line[:-2], line[-2:])
    damaged = line.replace(b"0", b"1", 1)
    assert not _sent(kind, damaged[:-2], damaged[-2:])


@pytest.mark.parametrize("body", [b":1103006B003", b":1103006G0003", b":11 3006B0003"])
def test_checksum_over_digits_that_are_none_is_missing(body: bytes) -> None:
    """Nothing is summed up that is not there."""
    settings = LineSum.model_validate({"kind": "sum8", "negated": True, "over": "hex", "from": 1})
    block = np.frombuffer(body + b"7E\r\n", np.uint8)
    sums = LineChecker(settings, b"\r\n").check(block, np.array([0]), np.array([len(body) + 2]))
    assert not sums.present[0]


@given(st.binary(max_size=20), st.sampled_from(["sum8", "sum16"]), st.booleans())
def test_sum_in_text_is_that_of_the_bytes(body: bytes, kind: str, negated: bool) -> None:
    """Negated: sum and checksum add up to 0."""
    modulus = 256 if kind == "sum8" else 65536
    number = (-sum(body) if negated else sum(body)) % modulus
    assert _sent(
        {"kind": kind, "negated": negated},
        body,
        f"{number:0{2 if kind == 'sum8' else 4}X}".encode(),
    )
    assert not _sent(
        {"kind": kind, "negated": negated},
        body,
        f"{(number + 1) % modulus:0{2 if kind == 'sum8' else 4}X}".encode(),
    )


BCC = {
    "kind": "xor",
    "written": "bytes",
    "behind_terminator": True,
    "after_counts": True,
    "from": 1,
}


def test_check_character_behind_an_etx_may_be_any_byte() -> None:
    """Also STX, ETX or a line feed, and it never ends a line."""
    lines, counts, seen = [], [], set()
    for number in range(300):
        body = b"T;%03d" % number
        check = reduce(xor, body + b"\x03")
        seen.add(check)
        lines.append(b"\x02" + body + b"\x03" + bytes([check]))
        counts.append(number)
    assert len(seen) > 10
    found = _fed(BCC, b"".join(lines), terminator="\x03")
    assert found.positions["counts"][:, 0].tolist() == counts
    assert found.record_bytes == found.bytes == 300 * 8
    assert found.positions["size"].tolist() == [6] * 300
    # The check character is an ETX: of two in a row the first ends the line.
    bodies = (b"%d;%04d" % (one, number) for one in range(10) for number in range(10_000))
    body = next(body for body in bodies if reduce(xor, body + b"\x03") == 3)
    odd = b"\x02" + body + b"\x03\x03"
    assert _fed(BCC, odd * 3, terminator="\x03").records == 3


def test_check_character_that_is_wrong_or_lost_costs_one_line_or_two() -> None:
    """The rest is read, and each byte is accounted for."""
    good = b"\x02T;107\x03" + bytes([reduce(xor, b"T;107\x03")])
    wrong = good[:-1] + bytes([good[-1] ^ 1])
    found = _fed(BCC, good + wrong + good, terminator="\x03")
    assert (found.records, found.n_faults) == (2, {FaultReason.CHECKSUM: 1})
    found = _fed(BCC, good + good[:-1] + good * 3, terminator="\x03")
    assert found.records == 3
    assert found.n_faults == {FaultReason.CHECKSUM: 2}
    assert found.bytes == 5 * len(good) - 1


def test_line_that_is_too_long_before_a_check_character_is_dropped_once() -> None:
    """However it is cut, also within the terminator and the byte behind it."""
    good = b"\x02T;107\x03" + bytes([reduce(xor, b"T;107\x03")])
    found = _fed(BCC, b"x" * 700 + b"\x03\x03" + good * 2, terminator="\x03")
    assert (found.records, found.n_faults) == (2, {FaultReason.TOO_LONG: 1})


@pytest.mark.parametrize(
    ("checksum", "message"),
    [
        (BCC | {"after": "*"}, "'checksum.after' must be left out with 'behind_terminator' (got '*')"),
        (
            {"kind": "xor", "negated": True},
            "'checksum.negated' must be left out with 'xor', which is no sum (got True)",
        ),
        (
            {"kind": "crc", "width": 8, "poly": 0x107},
            "'checksum.poly' must have at most 8 bits, the width (got 263)",
        ),
        (
            {"kind": "sum16", "written": "decimal", "byte_order": "little"},
            "'checksum.byte_order' must be 'big' or left out for a decimal number (got 'little')",
        ),
        (
            {"kind": "sum8", "over": "hex", "after": "*", "after_counts": True},
            "'checksum.after_counts' must be false where pairs of hexadecimal digits are summed up (got True)",
        ),
    ],
)  # fmt: skip
def test_checksum_with_mistake_says_key_requirement_and_value(
    checksum: dict[str, Any], message: str
) -> None:
    """One message each."""
    table = {"columns": [{"is": "counts", "axis": "scan"}], "checksum": checksum}
    with pytest.raises(SettingsError) as caught:
        read_settings(DelimitedSettings, table, key="")
    assert str(caught.value) == message


def test_sum_of_eight_bits_modulo_another_number() -> None:
    """Two decimal digits; the sum is not taken modulo 256 first."""
    text = (
        '[protocol]\nchecksum = { kind = "sum8", modulo = 100, after = "*", written = "decimal" }\n'
        'columns = [{ is = "thickness", unit = "mm" }]\n'
    )
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    batch = decoder.feed(b"99.99*74\r\n99.99*18\r\n", 0)
    assert batch.readings["thickness"].tolist() == [99.99]
    assert "the line carries 18 but its bytes give 74" in batch.faults[0].detail
