"""Numbers in some bits of a field, and clocks whose bytes are hours, minutes and seconds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers.abc import Decoder
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.records import FaultReason


def frame(*fields: str, length: int) -> str:
    """A description of frames behind A5."""
    return (
        'driver = "frames"\n[protocol]\nbyte_order = "big"\n'
        f'framing = {{ kind = "fixed", sync = [0xA5], length = {length} }}\n'
        f"fields = [{', '.join(fields)}]\n"
    )


def made(*fields: str, length: int) -> Decoder:
    """A decoder of such frames."""
    return parse_description(frame(*fields, length=length), "x").decoder(ns_per_byte=0)


@given(st.integers(0, 2**12 - 1), st.integers(-(2**11), 2**11 - 1), st.booleans())
def test_two_numbers_in_three_bytes(high: int, low: int, little: bool) -> None:
    """Whatever they are, and whichever byte comes first."""
    order = ', byte_order = "little"' if little else ""
    decoder = made(
        f'{{ is = "thickness", unit = "mm", type = "u3", mask = 0xFFF000{order} }}',
        '{ is = "counts", axis = "scan", type = "u3", mask = 0xFFF, signed = true, shares = true'
        f"{order} }}",
        length=4,
    )
    word = high << 12 | low & 0xFFF
    batch = decoder.feed(b"\xa5" + word.to_bytes(3, "little" if little else "big"), 0)
    assert batch.readings["thickness"].tolist() == [high]
    assert batch.positions["counts"].tolist() == [[low]]
    assert dict(decoder.count_periods) == {"scan": 4096}


def test_number_that_stands_for_no_value_is_that_of_the_bits() -> None:
    """The status bit above it does not matter."""
    decoder = made(
        '{ is = "thickness", unit = "mm", type = "u1", mask = 0x7F, absent = [0x7F] }', length=2
    )
    readings = decoder.feed(bytes.fromhex("A5FF A57F A581 A501"), 0).readings
    np.testing.assert_array_equal(readings["thickness"], [np.nan, np.nan, 1.0, 1.0])


@pytest.mark.parametrize(
    ("field", "sent", "ns"),
    [
        ('type = "u3"', "17 3B 3B", 86_399_000_000_000),
        ('type = "u4", byte_order = "little"', "63 3B 00 01", 3_659_990_000_000),
        ('type = "bcd3"', "23 59 59", 86_399_000_000_000),
        ('type = "bcd5"', "00 00 01 99 99", 1_999_900_000),
        ('type = "u3"', "18 00 00", None),
        ('type = "u3"', "00 3C 00", None),
        ('type = "u4"', "00 00 00 64", None),
        ('type = "bcd3"', "24 00 00", None),
        ('type = "bcd3"', "12 00 60", None),
        ('type = "bcd3"', "12 0A 00", None),
    ],
)
def test_time_of_day(field: str, sent: str, ns: int | None) -> None:
    """A byte that is no such part of a day is a fault."""
    data = bytes.fromhex(sent)
    decoder = made(
        f'{{ is = "device_time", written = "hhmmss", {field} }}',
        '{ is = "counts", axis = "scan", type = "u1" }',
        length=len(data) + 2,
    )
    assert decoder.clock_wrap_ns == 86_400 * 10**9
    batch = decoder.feed(b"\xa5" + data + b"\x07", 0)
    assert batch.positions["device_time"].tolist() == ([] if ns is None else [ns])
    assert FaultReason.NUMBER in batch.n_faults or ns is not None


COUNT = '{ is = "counts", axis = "scan", type = "u1" }'


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        (('{ is = "device_time", type = "u2", written = "hhmmss" }', COUNT),
         "must be bcd3 to bcd6, u3 or u4: a byte for each of hours, minutes, seconds (got 'u2')"),
        (('{ is = "device_time", type = "u3", written = "hhmmss", unit = "s" }', COUNT),
         "fields[0].unit' must be left out, as the time is written 'hhmmss'"),
        (('{ is = "device_time", type = "u3" }', COUNT),
         "fields[0].unit' must be given, or written = 'hhmmss'"),
        (('{ is = "thickness", unit = "mm", type = "i2", mask = 0x7F }',),
         "must be left out but for u1, u2, u3, u4 and u8"),
        (('{ is = "thickness", unit = "mm", type = "u1", mask = 0x5 }',), "must be bits one next to the other"),
        (('{ is = "thickness", unit = "mm", type = "u1", mask = 0x7F, absent = [128] }',),
         "absent[0]' must be 0 to 127, which 'mask' holds (got 128)"),
        (('{ is = "counts", axis = "scan", type = "u2", mask = 0xFFF, bits = 13 }',),
         "must be <= 12, the bits of the mask"),
        (('{ is = "thickness", unit = "mm", type = "u2", signed = true }',),
         "must be left out but for septets and sextets and with 'mask'"),
        (('{ is = "probe", type = "u1", present = true, inputs = [1] }', COUNT), "must be left out without 'repeat'"),
        (('{ is = "skip" }', '{ is = "thickness", unit = "mm", type = "u1", mask = 1, shares = true }'),
         "must have a field with a number before it"),
    ],
)  # fmt: skip
def test_bits_and_clocks_that_cannot_be_are_refused(fields: tuple[str, ...], message: str) -> None:
    """With what is wrong."""
    with pytest.raises(DescriptionError) as caught:
        parse_description(frame(*fields, length=9), "x")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("keys", "sum_of", "message"),
    [
        ('kind = "sum8", modulo = 100', lambda body: sum(body) % 100, ""),
        ('kind = "sum8", modulo = 255, negated = true', lambda body: -sum(body) % 255, ""),
        ('kind = "sum8", modulo = 257', None, "must be <= 256, what 'sum8' can hold"),
        ('kind = "xor8", modulo = 100', None, "must be left out with 'xor8', which is no sum"),
        ('kind = "sum8", modulo = 100, mask = 0x7F', None, "must be left out with 'modulo'"),
        ('kind = "fletcher16", modulo = 100', None, "must be 255 or 256 with 'fletcher16'"),
        ('kind = "fletcher16", negated = true', None, "must be left out with 'fletcher16'"),
    ],
)
def test_sum_modulo_another_number(keys: str, sum_of: object, message: str) -> None:
    """Of a frame."""
    text = frame(COUNT, length=4).replace("fields", f"checksum = {{ {keys} }}\nfields", 1)
    text = text.replace(COUNT, COUNT.replace("u1", "u2"))
    if message:
        with pytest.raises(DescriptionError) as caught:
            parse_description(text, "x")
        assert message in str(caught.value)
        return
    assert callable(sum_of)
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    body = b"\xa5\xff\xfe"
    batch = decoder.feed(body + bytes([sum_of(body)]), 0)
    assert batch.positions["counts"].tolist() == [[0xFFFE]]


@given(st.integers(-(2**17), 2**17 - 1), st.lists(st.integers(0, 3), min_size=3, max_size=3))
def test_sextets_with_a_sign(count: int, tops: list[int]) -> None:
    """Whatever the upper two bits of each byte are."""
    decoder = made('{ is = "counts", axis = "scan", type = "sextet3", signed = true }', length=4)
    word = count & 0x3FFFF
    data = bytes(top << 6 | word >> shift & 63 for top, shift in zip(tops, (12, 6, 0), strict=True))
    batch = decoder.feed(b"\xa5" + data, 0)
    assert batch.positions["counts"].tolist() == [[count]]
    assert dict(decoder.count_periods) == {"scan": 2**18}


GROUPS = """
driver = "frames"
[protocol]
framing = { kind = "slip" }
fields = [
  { is = "counts", axis = "scan", type = "u1" },
  { is = "probe", type = "u1", present = true, PRESENT },
]
[protocol.repeat]
fields = [{ is = "thickness", unit = "mm", type = "u1", absent = [0] }]
"""


def test_groups_of_the_inputs_that_are_present() -> None:
    """Next to one position; a bit without an input, and another number of groups, are faults."""
    text = GROUPS.replace("PRESENT", "inputs = [0, 4, 9]")
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    frames = ("07 05 08 09", "08 07 01 02 03", "09 02 00", "0A 03 01", "0B 09 01 02", "0C 00 01")
    batch = decoder.feed(b"".join(b"\xc0" + bytes.fromhex(one) + b"\xc0" for one in frames), 0)
    assert batch.positions["counts"].tolist() == [[7], [8], [9]]
    assert batch.readings["probe"].tolist() == [0, 9, 0, 4, 9, 4]
    np.testing.assert_array_equal(batch.readings["thickness"], [8, 9, 1, 2, 3, np.nan])
    assert dict(batch.n_faults) == {FaultReason.LENGTH: 2, FaultReason.OUT_OF_RANGE: 1}
    assert decoder.inputs == (0, 4, 9)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("present", "message"),
    [
        ("", "must name the input of each bit, the lowest first: at most 8"),
        ("inputs = [1, 1]", "must be different"),
        ("inputs = [1], mask = 3", "must be left out with 'present'"),
    ],
)
def test_present_inputs_that_cannot_be_are_refused(present: str, message: str) -> None:
    """With what is wrong."""
    text = GROUPS.replace(
        "present = true, PRESENT", f"present = true{', ' * bool(present)}{present}"
    )
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert message in str(caught.value)


def test_bytes_behind_the_checksum() -> None:
    """It does not cover them, and a frame that ends otherwise says so; however it is cut."""
    text = frame(COUNT, length=5).replace("length = 5", "length = 5, end = [0x0D, 0x0A]")
    text = text.replace("fields", 'checksum = { kind = "xor8" }\nfields', 1)
    data = bytes.fromhex("A5 07 A2 0D 0A A5 08 AD 0D 0B A5 09 AD 0D 0A A5 0A AF 0D 0A")
    for size in (1, 3, len(data)):
        decoder = parse_description(text, "x").decoder(ns_per_byte=0)
        batches = [decoder.feed(data[at : at + size], 0) for at in range(0, len(data), size)]
        got = [one for batch in batches for one in batch.positions["counts"][:, 0].tolist()]
        assert got == [7, 10]
        details = [fault.detail for batch in batches for fault in batch.faults]
        assert details[0] == "the frame does not end with 0D 0A"
        assert details[1] == "the frame carries AD but its bytes give AC"


def test_bytes_behind_no_checksum_are_refused() -> None:
    """A constant field says the same."""
    text = frame(COUNT, length=3).replace("length = 3", "length = 3, end = [0x0D]")
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert "framing.end' must be left out without 'checksum'" in str(caught.value)
