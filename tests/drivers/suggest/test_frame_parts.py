"""Parts of what is found in binary frames: encodings, escapes, kinds of frames, where frames begin."""

from __future__ import annotations

import struct
from functools import reduce
from operator import xor

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Hints, parse_shown, suggest
from swathe_drivers.suggest.encodings import Encoded, encodings_at
from swathe_drivers.suggest.escaped_search import escapes_of, unescaped
from swathe_drivers.suggest.frame_kinds import kind_place, kinds_of_frames, shared_numbers

NUMBER = 240
_RANDOM = np.random.default_rng(7)
VALUES = (9000 + np.cumsum(_RANDOM.integers(-40, 45, NUMBER))).tolist()
PLACES = [round(1500 * float(np.sin(at / 40))) for at in range(NUMBER)]
LEVELS = _RANDOM.integers(60, 90, NUMBER).tolist()


def _rows(frames: list[bytes]) -> NDArray[np.uint8]:
    return np.frombuffer(b"".join(frames), np.uint8).reshape(len(frames), -1)


def _only(frames: list[bytes], kind: str, first: int = 0) -> Encoded:
    found = encodings_at(_rows(frames), first, "big")
    (one,) = [one for one in found if one.kind == kind and one.order is None]
    return one


def _chunks(frames: list[bytes], per_second: int = 20) -> list[tuple[int, bytes]]:
    return [(at * 10**9 // per_second, frame) for at, frame in enumerate(frames)]


def _bcd(value: int, size: int) -> bytes:
    return bytes.fromhex(f"{value:0{2 * size}d}")


def test_bcd_with_fill_for_none() -> None:
    """EE EE EE is no number, and the only thing that stands for none."""
    frames = [_bcd(v, 3) if at % 9 else b"\xee\xee\xee" for at, v in enumerate(VALUES)]
    one = _only(frames, "bcd3")
    assert one.absent == ("hex:EE EE EE",)
    assert np.isnan(one.values[0])
    assert one.values[1] == VALUES[1]
    marked = [b"\x41" + f if f[0] != 0xEE else b"\x4e" + f for f in frames]
    assert not [e for e in encodings_at(_rows(marked), 0, "big") if e.kind == "bcd4"]


def test_bcd_with_a_sign_passes_through_zero() -> None:
    """9 is minus; numbers whose first digit is 9 or 0 and that do not pass through zero have none."""
    frames = [(_bcd(abs(p), 4) if p >= 0 else bytes([0x90]) + _bcd(-p, 3)) for p in PLACES]
    assert _only(frames, "sbcd4").values.tolist() == PLACES
    far = [bytes([0x90 * (at % 2)]) + _bcd(5000 + at, 3) for at in range(NUMBER)]
    assert not [e for e in encodings_at(_rows(far), 0, "big") if e.kind == "sbcd4"]


def test_digits_with_dashes_for_none() -> None:
    """Five digits, or five dashes."""
    frames = [b"%05d" % v if at % 7 else b"-----" for at, v in enumerate(VALUES)]
    one = _only(frames, "digits5")
    assert one.absent == ("-----",)
    assert np.isnan(one.values[0])
    assert one.values[1] == VALUES[1]


def test_float_with_infinity_and_nan_for_none() -> None:
    """NaN has its word, infinity its bytes."""
    sent = [float("nan"), float("inf"), *[v / 1000 for v in VALUES[2:]]]
    sent[20] = float("inf")
    one = _only([struct.pack(">f", value) for value in sent], "f4")
    assert one.absent == ("nan", "hex:7F 80 00 00")


def test_seven_bits_a_byte_only_where_the_first_byte_alone_has_bit_7() -> None:
    """Two bytes of 7 bits, the upper ones first."""
    frames = [bytes([0x80 | at % 4, v >> 7 & 127, v & 127]) for at, v in enumerate(VALUES)]
    assert _only(frames, "septet2", 1).values.tolist() == VALUES
    found = list(encodings_at(_rows(frames), 1, "little"))
    assert [one.values.tolist() for one in found if one.order == "big"] == [VALUES]
    assert not [one for one in found if one.kind in ("u2", "i2")]
    other = [frame[:2] + bytes([frame[2] | 0x80]) for frame in frames]
    assert not [e for e in encodings_at(_rows(other), 1, "big") if e.kind == "septet2"]


@pytest.mark.parametrize("xored", [0x20, 0x40, 0xE0])
def test_escape_with_any_xor(xored: int) -> None:
    """What follows the escape byte shows what it was xored with."""
    ends, escape = {0xF0}, 0xF1
    bare = [struct.pack(">HB", value, 0xF0 + at % 3) for at, value in enumerate(VALUES)]
    pieces = []
    for piece in bare:
        out = b""
        for byte in piece:
            out += bytes([escape, byte ^ xored]) if byte in (*ends, escape) else bytes([byte])
        pieces.append(out)
    found = escapes_of(pieces, escape, ends)
    assert xored in found
    assert [unescaped(piece, escape, xored) for piece in pieces] == bare
    assert escapes_of(pieces, 0x24, ends) == []


def test_kinds_of_frames_come_in_turn_and_a_status_stays() -> None:
    """A byte of few numbers tells kinds if it changes as often as kinds do."""
    turn = [bytes([0x54 if at % 3 == 2 else 0x45, at % 200, 7]) for at in range(NUMBER)]
    assert kind_place(turn, 0) == 0
    stays = [bytes([0x54 if at < 100 else 0x45, at % 200, 7]) for at in range(NUMBER)]
    assert kind_place(stays, 0) is None
    running = [bytes([at % 4, at % 200, 7]) for at in range(NUMBER)]
    assert kind_place(running, 0) is None
    kinds = kinds_of_frames([(3 * at, frame) for at, frame in enumerate(turn)], 0)
    assert [(kind.value, kind.rows.shape) for kind in kinds] == [
        (0x45, (160, 3)),
        (0x54, (80, 3)),
    ]
    assert shared_numbers([(0, frame) for frame in running], 0) == {1}


def _summed(body: bytes) -> bytes:
    return body + bytes([sum(body) & 255])


def test_suggest_frames_of_one_length_and_two_kinds() -> None:
    """Thickness in one kind, counts in the other, a number that all share: one description of both."""
    frames = []
    for at, (value, place) in enumerate(zip(VALUES, PLACES, strict=True)):
        kinds = (struct.pack(">BHBx", 1, value, LEVELS[at]), struct.pack(">Bi", 2, place))
        frames += [
            _summed(b"\x9c" + kind[:1] + bytes([(2 * at + k) & 255]) + kind[1:])
            for k, kind in enumerate(kinds)
        ]
    shown = f"{VALUES[-1] / 1000:.3f} mm"
    found = suggest(_chunks(frames, 40), hints=Hints(shows=(parse_shown(shown),)))
    description = parse_description(found.text, "proposed")
    assert len(description.protocol["record"]) == 2
    batch = description.decoder(ns_per_byte=0).feed_chunks(_chunks(frames, 40))
    assert batch.readings["thickness"].tolist() == pytest.approx([v / 1000 for v in VALUES])
    assert batch.positions["counts"][:, 0].tolist() == PLACES
    assert any("numbers no kind by itself" in finding.why for finding in found.findings)


def test_suggest_frames_that_leave_the_value_out() -> None:
    """Frames without an echo are shorter by the value: they are readings without one."""
    frames = []
    for at, value in enumerate(VALUES):
        body = struct.pack(">BBH", 0x10, LEVELS[at], 480)
        body += b"" if at % 12 == 5 else struct.pack(">H", value)
        frames.append(_summed(b"\xb4" + bytes([len(body) + 1]) + body))
    shown = f"{VALUES[-1] / 1000:.3f} mm"
    hints = Hints(shows=(parse_shown(shown),), contents="gauge")
    found = suggest(_chunks(frames), hints=hints)
    batch = parse_description(found.text, "proposed").decoder(ns_per_byte=0)
    readings = batch.feed_chunks(_chunks(frames)).readings
    assert readings["valid"].tolist() == [at % 12 != 5 for at in range(NUMBER)]
    assert readings["thickness"][0] == pytest.approx(VALUES[0] / 1000)


def test_suggest_checksum_before_the_last_byte() -> None:
    """02 ... sum 03: the 03 is taken for the beginning of the next frame, and the sum is verified."""
    frames = []
    for at, value in enumerate(VALUES):
        body = struct.pack(">HB", value, LEVELS[at])
        frames.append(b"\x02" + body + bytes([sum(body) & 255]) + b"\x03")
    found = suggest(_chunks(frames), hints=Hints(contents="gauge"))
    protocol = parse_description(found.text, "proposed").protocol
    assert protocol["framing"]["sync"][:2] == [0x03, 0x02]
    assert (protocol["checksum"]["kind"], protocol["checksum"]["from"]) == ("sum8", 2)


def test_suggest_frames_that_only_silence_and_a_checksum_mark() -> None:
    """No byte is always the same: the silences show where frames begin."""
    frames = []
    for at, (value, place) in enumerate(zip(VALUES, PLACES, strict=True)):
        body = struct.pack("<HhB", value, place, LEVELS[at])
        frames.append(body + bytes([reduce(xor, body)]))
    found = suggest(_chunks(frames))
    protocol = parse_description(found.text, "proposed").protocol
    assert protocol["framing"] == {"kind": "fixed", "length": 6}
    batch = parse_description(found.text, "x").decoder(ns_per_byte=0).feed_chunks(_chunks(frames))
    assert batch.positions["counts"][:, 0].tolist() == PLACES


def test_suggest_frames_by_their_first_byte() -> None:
    """Bit 7 in the first byte only, a sum of 7 bits."""
    frames = []
    for at, place in enumerate(PLACES):
        count = place % 16384
        body = bytes([0x80 | 0x40 * (at % 50 > 25) | at % 16, count >> 7, count & 127])
        frames.append(body + bytes([sum(body) & 127]))
    found = suggest(_chunks(frames), hints=Hints(contents="encoder"))
    protocol = parse_description(found.text, "proposed").protocol
    assert protocol["framing"]["first"] == {"mask": 0x80, "value": 0x80}
    assert protocol["checksum"] == {"kind": "sum8", "mask": 0x7F}
    decoder = parse_description(found.text, "proposed").decoder(ns_per_byte=0)
    counts = decoder.feed_chunks(_chunks(frames)).positions["counts"][:, 0]
    assert counts.tolist() == [place % 16384 for place in PLACES]
