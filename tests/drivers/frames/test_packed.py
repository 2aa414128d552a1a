"""Numbers of 24 bits, BCD and digits in frames, SLIP, and negated sums, against plain Python."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers import FaultReason
from swathe_drivers.checksums import as_sent
from swathe_drivers.errors import SettingsError
from swathe_drivers.frames import FramesDecoder, FramesSettings
from swathe_drivers.frames.kinds import FrameKindsDecoder
from swathe_drivers.frames.packed import bytes_of_type, limits, read_packed
from swathe_drivers.settings import read_settings
from swathe_drivers.testing.feeding import assert_same_columns, random_pieces, total

END, ESC, ESC_END, ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD
"""The bytes of RFC 1055: 192, 219, 220, 221 (octal 300, 333, 334, 335 in its listing)."""


def _read(texts: list[bytes], kind: str, **others: bool) -> tuple[list[float], list[bool]]:
    places = np.frombuffer(b"".join(texts), np.uint8).reshape(len(texts), bytes_of_type(kind))
    values, good = read_packed(places, kind, **{"little": False, "point": False, **others})
    return values.tolist(), good.tolist()


@given(st.lists(st.integers(-(2**23), 2**23 - 1), min_size=1, max_size=30), st.booleans())
def test_numbers_of_24_bits_are_those_of_python(numbers: list[int], little: bool) -> None:
    """Signed and unsigned, in both byte orders, to their limits."""
    order: Any = "little" if little else "big"
    numbers = [*numbers, *limits("i3")]
    signed = [number.to_bytes(3, order, signed=True) for number in numbers]
    assert _read(signed, "i3", little=little)[0] == numbers
    unsigned = [number % 2**24 for number in numbers]
    assert _read(signed, "u3", little=little)[0] == unsigned
    assert limits("u3") == (0, 2**24 - 1)


@given(st.lists(st.integers(0, 999_999), min_size=1, max_size=30), st.booleans())
def test_bcd_is_the_hexadecimal_text_read_as_decimal(numbers: list[int], little: bool) -> None:
    """Two digits in each byte, the higher in the higher four bits."""
    sent = [bytes.fromhex(f"{number:06}") for number in numbers]
    values, good = _read([one[::-1] if little else one for one in sent], "bcd3", little=little)
    assert values == numbers
    assert all(good)


@pytest.mark.parametrize("text", ["00120A", "0012A0", "FFFFFF", "001F41"])
def test_byte_that_is_no_pair_of_digits_is_not_good(text: str) -> None:
    """In either half of any byte."""
    assert _read([bytes.fromhex(text)], "bcd3") == ([0], [False])


@given(st.integers(-9999, 99_999), st.booleans())
def test_digits_are_the_number_of_their_text(number: int, zeros: bool) -> None:
    """With spaces or zeros before it, and with spaces behind it."""
    texts = [f"{number:05}" if zeros else f"{number:5}", f"{number:<5}"]
    assert _read([text.encode() for text in texts], "digits5") == ([number] * 2, [True, True])


@pytest.mark.parametrize("text", ["     ", "12 34", "1.234", "1e001", "-    ", "0x123", "+-123"])
def test_text_that_is_no_whole_number_is_not_good(text: str) -> None:
    """A point neither, unless the number is a value."""
    assert _read([text.encode()], "digits5") == ([0], [False])
    value = float(text) if text == "1.234" else 0.0
    assert _read([text.encode()], "digits5", point=True) == ([value], [text == "1.234"])


@given(st.binary(min_size=35, max_size=35), st.sampled_from(["digits5", "bcd5", "digits7", "bcd1"]))
def test_any_bytes_raise_nothing_and_stay_within_the_limits(data: bytes, kind: str) -> None:
    """What is no number is 0."""
    width = bytes_of_type(kind)
    values, good = _read([data[at : at + width] for at in range(0, 35, width)], kind)
    low, high = limits(kind)
    for value, right in zip(values, good, strict=True):
        assert low <= value <= high
        assert right or value == 0


def _table(**others: Any) -> dict[str, Any]:
    fields = [{"is": "counts", "axis": "scan", "type": "u4"}]
    return {"framing": {"kind": "slip"}, "fields": fields, "max_length": 40, **others}


def _slip(data: bytes) -> bytes:
    """A packet as the listing of RFC 1055 sends it: END first, to flush what was noise."""
    out = bytearray([END])
    for byte in data:
        if byte == END:
            out += bytes([ESC, ESC_END])
        elif byte == ESC:
            out += bytes([ESC, ESC_ESC])
        else:
            out.append(byte)
    return bytes([*out, END])


def test_slip_gives_back_what_was_sent_however_it_is_cut() -> None:
    """Packets full of the bytes that are escaped, with and without an END before each."""
    source = random.Random(1055)
    special = [END, ESC, ESC_END, ESC_ESC, 0, 255]
    packets = [bytes(source.choices(special, k=4)) for _ in range(300)]
    settings = FramesSettings.model_validate(_table())
    for flushed in (True, False):
        sent = [_slip(packet) for packet in packets]
        data = b"".join(sent) if flushed else sent[0][:1] + b"".join(one[1:] for one in sent)
        whole = total([FramesDecoder(settings).feed(data, 0)])
        expected = [int.from_bytes(packet, "little") for packet in packets]
        assert whole.positions["counts"][:, 0].tolist() == expected
        assert not whole.n_faults
        for seed in range(6):
            decoder = FramesDecoder(settings)
            pieces = random_pieces(data, random.Random(seed), cuts=80)
            found = total(decoder.feed(piece, 0) for piece in pieces)
            assert_same_columns(whole.positions, found.positions)


@pytest.mark.parametrize("behind", [0x00, 0x04, ESC, 0xDE])
def test_escape_before_a_byte_that_stands_for_nothing_is_a_fault(behind: int) -> None:
    """Of that frame alone; nothing is made of it."""
    settings = FramesSettings.model_validate(_table())
    good = _slip(b"\x01\x02\x03\x04")
    bad = bytes([END, 1, 2, 3, ESC, behind, END])
    found = total([FramesDecoder(settings).feed(good + bad + good, 0)])
    assert found.positions["counts"][:, 0].tolist() == [0x04030201] * 2
    assert found.n_faults == {FaultReason.FRAME: 1}
    assert f"an escape byte before {behind:02X}" in found.faults[0].detail


@given(st.binary(min_size=4, max_size=4), st.sampled_from(["sum8", "sum16"]))
def test_negated_sum_and_bytes_add_up_to_zero(data: bytes, kind: str) -> None:
    """Modulo 256 or 65536; another sum is a fault."""
    size = 1 if kind == "sum8" else 2
    number = -sum(data) % 256**size
    table = _table(checksum={"kind": kind, "negated": True})
    for sent, faults in ((number, {}), ((number + 1) % 256**size, {FaultReason.CHECKSUM: 1})):
        decoder = FramesDecoder(FramesSettings.model_validate(table))
        batch = decoder.feed(_slip(data + sent.to_bytes(size, "little")), 0)
        assert batch.n_faults == faults
        assert batch.positions.size == 1 - len(faults)


def test_counts_of_decimal_digits_repeat_where_their_type_does() -> None:
    """Those in BCD; digits as text may be signed, so `rolls_over_after` gives it."""
    for kind, others, period in (
        ("bcd2", {}, 10_000),
        ("bcd2", {"rolls_over_after": 3600}, 3600),
        ("digits5", {}, None),
        ("digits5", {"rolls_over_after": 19_999}, 19_999),
        ("u3", {}, 2**24),
        ("i3", {"bits": 20}, 2**20),
    ):
        field = {"is": "counts", "axis": "scan", "type": kind} | others
        decoder = FramesDecoder(FramesSettings.model_validate(_table(fields=[field])))
        assert decoder.count_periods == {"scan": period}


def test_sequence_of_digits_below_zero_is_out_of_range() -> None:
    """A running number has no sign."""
    fields = [*_table()["fields"], {"is": "sequence", "type": "digits2"}]
    decoder = FramesDecoder(FramesSettings.model_validate(_table(fields=fields)))
    batch = decoder.feed(_slip(b"\x01\x00\x00\x00-1") + _slip(b"\x01\x00\x00\x00 7"), 0)
    assert batch.n_faults == {FaultReason.OUT_OF_RANGE: 1}
    assert batch.positions["sequence"].tolist() == [7]
    assert decoder.sequence_wrap == 100


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            _table(fields=[{"is": "counts", "axis": "scan", "type": "bcd2", "bits": 12}]),
            "'fields[0].bits' must be <= 16, the bits of the type, and only for whole binary numbers"
            " (got 12)",
        ),
        (
            _table(checksum={"kind": "xor8", "negated": True}),
            "'checksum.negated' must be left out with 'xor8', which is no sum (got True)",
        ),
        (
            _table(fields=[{"is": "thickness", "unit": "mm", "type": "u3", "absent": [2**24]}]),
            "'fields[0].absent[0]' must be 0 to 16777215, which u3 holds (got 16777216)",
        ),
    ],
)
def test_settings_with_mistake_say_key_requirement_and_value(
    table: dict[str, Any], message: str
) -> None:
    """One message each."""
    with pytest.raises(SettingsError) as caught:
        read_settings(FramesSettings, table, key="")
    assert str(caught.value) == message


def _lossy(**field: Any) -> FramesDecoder:
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": 5},
        "byte_order": "big",
        "fields": [
            {"is": "thickness", "unit": "mm", "type": "bcd3", **field},
            {"is": "status", "type": "u1", "valid": [1], "invalid": [0]},
        ],
    }
    return FramesDecoder(read_settings(FramesSettings, table, key="lossy"))


def test_status_covers_a_number_that_cannot_be_read() -> None:
    """Where it is not valid; a fault where it is, or where the status is unknown itself."""
    found = _lossy().feed(bytes.fromhex("A5FFFFFF00 A500000501 A5FFFFFF01 A5FFFFFF07"), 0)
    assert found.readings["valid"].tolist() == [False, True]
    np.testing.assert_array_equal(found.readings["thickness"], [np.nan, 5.0])
    assert found.n_faults == {FaultReason.NUMBER: 2}


def test_bytes_that_stand_for_no_value() -> None:
    """As they are on the line, in the order of the line; as many as the type has."""
    found = _lossy(absent=["hex:FF EE DD"]).feed(bytes.fromhex("A5FFEEDD01 A5DDEEFF01"), 0)
    assert found.readings["valid"].tolist() == [False]
    assert found.n_faults == {FaultReason.NUMBER: 1}
    for wrong in ("hex:FF FF", "hex:F", "nan ", "\u20ac\u20ac\u20ac"):
        with pytest.raises(SettingsError, match=r"absent\[0\]' must be a number, or 3 bytes as"):
            _lossy(absent=[wrong])


def test_frame_without_a_value_is_a_reading_without_an_echo() -> None:
    """Among frames of other lengths; and a special constant may come before a general one."""
    amplitude = {"is": "amplitude", "type": "u1"}
    lost = {"fields": [{"is": "constant", "type": "u1", "value": 0x10}, amplitude]}
    value = {"fields": [{"is": "thickness", "unit": "mm", "type": "u1"}, amplitude]}
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": 3},
        "record": [lost, value],
    }
    decoder = FrameKindsDecoder(read_settings(FramesSettings, table, key="kinds"))
    found = decoder.feed(bytes.fromhex("A50550 A51004 A50651"), 0)
    assert found.readings["valid"].tolist() == [True, False, True]
    np.testing.assert_array_equal(found.readings["thickness"], [5.0, np.nan, 6.0])
    assert found.readings["amplitude"].tolist() == [80.0, 4.0, 81.0]
    assert found.record_bytes == 9
    with pytest.raises(SettingsError, match=r"record\[1\].fields' must be before record\[0\]"):
        read_settings(FramesSettings, table | {"record": [value, lost]}, key="kinds")


@given(st.lists(st.integers(-9_999_999, 9_999_999), min_size=1, max_size=20), st.booleans())
def test_bcd_with_a_sign(numbers: list[int], little: bool) -> None:
    """The half-byte before the digits; each sign that a device may send, and no other."""
    for plus, minus in ("09", "CD", "A1", "EB", "F8"):
        sent = [bytes.fromhex(f"{minus if one < 0 else plus}{abs(one):07}") for one in numbers]
        values, good = _read([one[::-1] if little else one for one in sent], "sbcd4", little=little)
        assert values == numbers
        assert all(good)
    for half in "234567":
        assert _read([bytes.fromhex(f"{half}0000001")], "sbcd4") == ([0], [False])
    assert _read([bytes.fromhex("0000000A")], "sbcd4") == ([0], [False])
    assert limits("sbcd4") == (-9_999_999, 9_999_999)


@given(st.lists(st.integers(0, 2**21 - 1), min_size=1, max_size=20), st.booleans())
def test_septets_are_digits_of_base_128(numbers: list[int], little: bool) -> None:
    """And a byte with its highest bit set is none."""
    sent = [bytes(one >> shift & 127 for shift in (14, 7, 0)) for one in numbers]
    values, good = _read([one[::-1] if little else one for one in sent], "septet3", little=little)
    assert values == numbers
    assert all(good)
    assert _read([b"\x01\x80\x01"], "septet3") == ([0], [False])
    assert limits("septet3") == (0, 2**21 - 1)


def _marked(**others: Any) -> FramesSettings:
    table: dict[str, Any] = {
        "framing": {"kind": "fixed", "length": 3, "first": {"mask": 0x80, "value": 0x80}},
        "byte_order": "big",
        "fields": [{"is": "skip"}, {"is": "counts", "axis": "scan", "type": "septet2"}],
    }
    return read_settings(FramesSettings, table | others, key="marked")


def test_frames_are_found_by_the_bits_of_their_first_byte() -> None:
    """Without a checksum, however the stream is cut; what is cut off is a fault, and nothing else."""
    frames = [bytes([0x80 | n % 16, n >> 7 & 127, n & 127]) for n in range(0, 16_384, 97)]
    source = random.Random(3)
    sent, want, dropped = b"", [], 0
    for number, frame in enumerate(frames):
        part = frame
        # Never two in a row: the end of one behind the beginning of another is a frame for all we know.
        if number % 2 and source.random() < 0.4:
            cut = source.choice([1, 2])
            part = frame[:cut] if source.random() < 0.5 else frame[cut:]
            dropped += len(part)
        else:
            want.append(number * 97)
        sent += part
    sent += frames[0]
    want.append(0)
    decoder = FramesDecoder(_marked())
    assert decoder.count_periods == {"scan": 16_384}
    whole = total([decoder.feed(sent, 0)])
    # A frame without its first byte leaves bytes behind the frame before it, which is whole.
    assert whole.positions["counts"][:, 0].tolist() == want
    assert whole.fault_bytes == dropped
    for seed in range(5):
        decoder = FramesDecoder(_marked())
        pieces = random_pieces(sent, random.Random(seed))
        found = total(decoder.feed(piece, 0) for piece in pieces)
        assert_same_columns(whole.positions, found.positions)
        assert found.n_faults == whole.n_faults


@pytest.mark.parametrize(
    ("others", "message"),
    [
        (
            {"framing": {"kind": "fixed", "length": 3, "first": {"mask": 0x80, "value": 0x81}}},
            "framing.first.value' must have no bit outside 'mask'",
        ),
        (
            {
                "framing": {
                    "kind": "fixed",
                    "length": 4,
                    "sync": [1],
                    "first": {"mask": 0x80, "value": 0x80},
                }
            },
            "framing.first' must be left out with 'sync'",
        ),
        (
            {"fields": [{"is": "constant", "type": "u1", "mask": 2, "value": 1}]},
            "fields[0].value' must have no bit outside 'mask'",
        ),
        (
            {"fields": [{"is": "constant", "type": "u1", "mask": 256, "value": 0}]},
            "fields[0].mask' must have at most 8 bits",
        ),
        (
            {"checksum": {"kind": "xor8", "mask": 0x17F}},
            "checksum.mask' must have at most 8 bits",
        ),
    ],
)
def test_masks_that_cannot_be_are_refused(others: dict[str, Any], message: str) -> None:
    """With the place in the user's table."""
    counts = {"is": "counts", "axis": "scan", "type": "u1"}
    others = {"fields": [*others["fields"], counts]} if "fields" in others else others
    with pytest.raises(SettingsError) as caught:
        _marked(**others)
    assert f"'marked.{message}" in str(caught.value)


def test_sums_as_devices_send_them() -> None:
    """Negated, then only some bits, then moved up where they are below a limit, not at it."""
    sums = np.array([0, 0x1F, 0x20, 0x81], np.uint32)
    moved = as_sent(sums, 8, negated=False, mask=None, not_below=0x20)
    assert moved.tolist() == [0x20, 0x3F, 0x20, 0x81]
    assert as_sent(sums, 8, negated=True, mask=0x7F, not_below=None).tolist() == [
        0,
        0x61,
        0x60,
        0x7F,
    ]
    assert as_sent(sums, 8, negated=False, mask=0x7F, not_below=2).tolist() == [2, 0x1F, 0x20, 3]


@given(st.lists(st.integers(-(2**20), 2**20 - 1), min_size=1, max_size=20), st.booleans())
def test_septets_with_a_sign_are_a_twos_complement(numbers: list[int], little: bool) -> None:
    """Of 7 bits a byte, so that the sign is bit 6 of the highest one."""
    sent = [bytes(one >> shift & 127 for shift in (14, 7, 0)) for one in numbers]
    values, good = _read([one[::-1] if little else one for one in sent], "sseptet3", little=little)
    assert values == numbers
    assert all(good)
    assert _read([b"\x01\x80\x01"], "sseptet3") == ([0], [False])
    assert limits("sseptet3") == (-(2**20), 2**20 - 1)


@given(st.integers(-999_999, 999_999), st.sampled_from(["", "+", " +"]), st.booleans())
def test_digits_with_their_sign_behind(number: int, plus: str, point: bool) -> None:
    """As Python reads them with the sign moved to the front."""
    sign = "-" if number < 0 else plus
    texts = [f"{abs(number)}{sign}".rjust(8), f"{abs(number)}{sign}".ljust(8)]
    values, good = _read([text.encode() for text in texts], "digits8-", point=point)
    assert values == [number] * 2
    assert all(good)


@pytest.mark.parametrize("text", ["-5", "+5", "-", " +", "5--", "--5", "", "5-5", "5+-"])
def test_text_without_a_sign_behind_is_no_number(text: str) -> None:
    """The sign is behind the digits or nowhere."""
    assert _read([text.rjust(4).encode()], "digits4-") == ([0], [False])


def test_counts_of_signed_septets_roll_over_and_numbers_under_a_mask_do() -> None:
    """Where their bits do: 2**14 counts, 16 records."""
    table: dict[str, Any] = {
        "byte_order": "big",
        "framing": {"kind": "fixed", "sync": [0xF0], "length": 4},
        "fields": [
            {"is": "counts", "axis": "scan", "type": "septet2", "signed": True},
            {"is": "sequence", "type": "u1", "mask": 0x78},
        ],
    }
    decoder = FramesDecoder(read_settings(FramesSettings, table, key="septets"))
    assert decoder.count_periods == {"scan": 2**14}
    assert decoder.sequence_wrap == 16
    found = decoder.feed(bytes.fromhex("F0 3F 7F 7F  F0 40 00 80  F0 40 00 08"), 0)
    assert found.positions["counts"][:, 0].tolist() == [8191.0, -8192.0, -8192.0]
    assert found.positions["sequence"].tolist() == [15, 0, 1]
    table["fields"][0]["bits"] = 12
    decoder = FramesDecoder(read_settings(FramesSettings, table, key="septets"))
    found = decoder.feed(bytes.fromhex("F0 70 00 08  F0 6F 7F 08"), 0)
    assert found.positions["counts"][:, 0].tolist() == [-2048.0]
    assert found.n_faults == {FaultReason.OUT_OF_RANGE: 1}


def test_frame_without_a_value_may_have_no_valid_status() -> None:
    """As in text: all of its kind are readings without an echo."""
    lost: list[dict[str, Any]]
    lost = [{"is": "constant", "type": "u1", "value": 0x10}, {"is": "status", "type": "u1"}]
    value = [{"is": "thickness", "unit": "mm", "type": "u1"}, {"is": "skip"}]
    table: dict[str, Any] = {"framing": {"kind": "fixed", "sync": [0xA5], "length": 3}}
    lost[1]["invalid"] = [3, 4]
    table["record"] = [{"fields": lost}, {"fields": value}]
    decoder = FrameKindsDecoder(read_settings(FramesSettings, table, key="kinds"))
    found = decoder.feed(bytes.fromhex("A51003 A50500 A51005"), 0)
    assert found.readings["valid"].tolist() == [False, True]
    assert found.n_faults == {FaultReason.STATUS: 1}
    alone = {"fields": [value[0], {"is": "status", "type": "u1", "invalid": [3]}]}
    with pytest.raises(SettingsError, match=r"fields\[1\].valid' must be given"):
        read_settings(FramesSettings, table | {"record": [alone]}, key="kinds")


def test_channels_and_numbers_of_several_kinds_of_frames() -> None:
    """A channel is that of its own readings; a number shared with positions shows none lost."""
    kinds: list[list[dict[str, Any]]] = [
        [
            {"is": "thickness", "unit": "mm", "type": "u1"},
            {"is": "channel", "name": "lining", "type": "u1"},
        ],
        [{"is": "amplitude", "type": "u1"}, {"is": "skip"}],
        [{"is": "counts", "axis": "scan", "type": "u1"}, {"is": "skip"}],
        [{"is": "skip", "bytes": 2}],
    ]
    records = [
        {
            "fields": [
                {"is": "constant", "type": "u1", "value": number},
                {"is": "sequence", "type": "u1"},
                *fields,
            ]
        }
        for number, fields in enumerate(kinds)
    ]
    table = {"framing": {"kind": "fixed", "sync": [0xA5], "length": 5}, "record": records}
    decoder = FrameKindsDecoder(read_settings(FramesSettings, table, key="kinds"))
    assert not decoder.numbered
    data = "A500FE0907 A501FF2000 A502000500 A503010000 A500020806 A501054000"
    found = decoder.feed(bytes.fromhex(data), 0)
    np.testing.assert_array_equal(found.channels, [[7.0], [np.nan], [6.0], [np.nan]])
    assert (found.n_missing, found.n_ignored, found.ignored_bytes) == (2, 1, 5)
    assert found.positions.size == 1
