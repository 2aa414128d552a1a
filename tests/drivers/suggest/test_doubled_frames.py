"""Frames between two pairs of bytes with a doubled byte, found in captures made up here."""

from __future__ import annotations

import struct
from functools import reduce
from operator import xor

import numpy as np
import pytest

from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Hints, parse_shown, suggest
from swathe_drivers.suggest.doubled_search import doubled
from swathe_drivers.suggest.frame_capture import CapturedBytes
from swathe_drivers.suggest.frame_checks import checked

NUMBER = 150
_RANDOM = np.random.default_rng(11)
VALUES = (4000 + np.cumsum(_RANDOM.integers(-40, 45, NUMBER))).tolist()
PLACES = [round(1500 * float(np.sin(at / 25))) for at in range(NUMBER)]
BODIES = [struct.pack(">BHh", at % 64, v, p) for at, (v, p) in enumerate(zip(VALUES, PLACES, strict=True))]  # fmt: skip


def _sum(body: bytes) -> bytes:
    return bytes([sum(body) & 255])


def _xor(body: bytes) -> bytes:
    return bytes([reduce(xor, body)])


def _framed(body: bytes, behind: bytes = b"") -> bytes:
    return b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03" + behind


def _chunks(frames: list[bytes]) -> list[tuple[int, bytes]]:
    return [(at * 50_000_000, frame) for at, frame in enumerate(frames)]


@pytest.mark.parametrize(
    ("frames", "framing", "kind"),
    [
        ([_framed(body) for body in BODIES], {}, None),
        ([_framed(body + _sum(body)) for body in BODIES], {}, "sum"),
        ([_framed(b, _sum(b + b"\x03")) for b in BODIES], {"checksum_behind": True}, "sum"),
        ([_framed(b, _xor(b)) for b in BODIES], {"checksum_behind": True, "stop_covered": False}, "xor"),
    ],
    ids=["none", "inside", "behind", "behind, without the stop byte"],
)  # fmt: skip
def test_doubled_byte_shows_the_framing_and_where_the_checksum_is(
    frames: list[bytes], framing: dict[str, bool], kind: str | None
) -> None:
    """The bodies come out as they were; no other way of cutting has as good a checksum."""
    every = [checked(one) for one in doubled(CapturedBytes.of(_chunks(frames)))]
    best = max(every, key=lambda one: one.rank)
    assert best.framed.table == {"kind": "doubled", "byte": 0x10, "start": 2, "stop": 3} | framing
    assert [row.tobytes()[:5] for row in best.framed.rows] == BODIES
    if kind is None:
        assert best.check is None
    else:
        assert best.check is not None
        assert best.check.table["kind"].startswith(kind)
        assert best.framed.rows.shape == (NUMBER, 6)


def test_nothing_is_proposed_where_no_byte_is_doubled() -> None:
    """Frames that begin and end with pairs of bytes, in which 10 does not occur: it may be sent once."""
    frames = [b"\x10\x02" + bytes([at % 9 + 0x20, 0x41]) + b"\x10\x03" for at in range(NUMBER)]
    assert not list(doubled(CapturedBytes.of(_chunks(frames))))
    few = [bytes([at % 32 + 0x20, 0x30]) for at in range(NUMBER)]  # whose checksum may be 10
    behind = [_framed(body, _xor(body)) for body in few]
    assert b"".join(behind).count(b"\x10\x10") >= 3
    assert not list(doubled(CapturedBytes.of(_chunks(behind))))
    single = [_framed(body).replace(b"\x10\x10", b"\x10") for body in BODIES]
    assert not list(doubled(CapturedBytes.of(_chunks(single))))


def test_suggest_proposes_the_whole_description() -> None:
    """As one would write it, and what it rests on."""
    frames = [_framed(body, _sum(body + b"\x03")) for body in BODIES]
    shown = f"{VALUES[-1] / 1000:.3f} mm"
    found = suggest(_chunks(frames), hints=Hints(shows=(parse_shown(shown),)))
    assert "byte = 0x10, start = 0x02, stop = 0x03, checksum_behind = true }" in found.text
    batch = parse_description(found.text, "x").decoder(ns_per_byte=0).feed_chunks(_chunks(frames))
    assert batch.readings["thickness"].tolist() == pytest.approx([v / 1000 for v in VALUES])
    assert batch.positions["counts"][:, 0].tolist() == PLACES
    twice = sum(body.count(0x10) for body in BODIES)
    (framing,) = [one for one in found.findings if one.about == "framing"]
    assert f"within them 10 is sent twice, {twice} times" in framing.why
