"""Rules of the guessing, each by itself: what a rule turned round would get wrong."""

from __future__ import annotations

import numpy as np
import pytest

from swathe_drivers.suggest import checks
from swathe_drivers.suggest.checks import find_check, pieces_of
from swathe_drivers.suggest.display import match_shown
from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.hints import Hints, parse_shown
from swathe_drivers.suggest.kind_records import common_headers
from swathe_drivers.suggest.measured import thickness_of
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.skeleton import skeletons_of

TIMES = np.arange(200) / 20.0
SENT = np.linspace(1.0, 3.0, 200).round(3)
"""Volts, say, of a wall of 2 to 12 mm: 5 mm for each, from 1 V on."""


def _volts() -> Series:
    return Series(0, SENT, TIMES, whole=False, places=3)


def _shows(*places: int) -> tuple[str, ...]:
    return tuple(f"{5 * (SENT[at] - 1) + 2:.2f} mm @ {TIMES[at]} s" for at in places)


def test_sign_behind_a_number_is_part_of_it() -> None:
    """`12.5-` is one number where neither a letter nor a digit follows."""
    lines = [f"Z{at % 90 + 0.5:.1f}{'-' if at % 3 else '+'};Q{at % 40}" for at in range(60)]
    (found,) = skeletons_of(lines)
    assert [row[0] for row in found.rows[:2]] == ["0.5+", "1.5-"]
    assert len(found.rows) == 60


def test_two_numbers_of_the_display_give_a_line_that_is_only_a_guess() -> None:
    """5 mm a volt and an offset of -3 mm; a third number agrees, and then it is no mere line through two."""
    match = match_shown(_volts(), tuple(map(parse_shown, _shows(10, 190))))
    assert match is not None
    assert match.fitted
    assert match.scale == pytest.approx(5.0, abs=0.01)
    assert match.offset == pytest.approx(-3.0, abs=0.02)
    shows = tuple(map(parse_shown, _shows(10, 190)))
    role = thickness_of(_volts(), Hints(shows=shows))
    assert role is not None
    assert role.basis is Basis.GUESS
    third = match_shown(_volts(), tuple(map(parse_shown, _shows(10, 100, 190))))
    assert third is not None
    assert not third.fitted


def test_two_numbers_of_the_display_that_hardly_differ_show_no_line() -> None:
    """2.25 and 2.30 mm: any slope passes through both as they are rounded."""
    assert match_shown(_volts(), tuple(map(parse_shown, _shows(5, 6)))) is None


def test_address_in_all_frames_is_no_part_of_a_number() -> None:
    """The same byte at the beginning of frames of both lengths; a type that changes is none."""
    frames = [(at, bytes([0x31, at % 2, 5, 6, *([7] * (at % 2))])) for at in range(20)]
    assert common_headers(frames, 0) == {0}
    assert common_headers([(at, bytes([at, 1, 2])) for at in range(20)], 0) == {1}


def _crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE bit by bit, as the public catalogue defines it (from memory)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    return register


def test_crc_is_found_and_random_numbers_are_not_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    """The quick look lets a CRC through, and keeps the long search from what is none."""
    rng = np.random.default_rng(2)
    rows = [rng.integers(0, 256, 9, dtype=np.uint8).tobytes() for _ in range(40)]
    found = find_check(pieces_of(rows, [_crc16(row) for row in rows], 16), tested=100)
    assert found is not None
    assert (found.table["poly"], found.table["width"]) == (0x1021, 16)

    def never(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(checks, "_crcs", never)
    assert (
        find_check(pieces_of(rows, rng.integers(0, 1 << 16, 40).tolist(), 16), tested=100) is None
    )
