"""Axes that rest, headings, flags behind numbers, echoes of requests: each rule by itself."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_drivers.suggest import Hints, parse_shown, suggest
from swathe_drivers.suggest.axes import find_axes
from swathe_drivers.suggest.counted_kinds import CountedValues, counted_values, without_values
from swathe_drivers.suggest.echoes import without_echoes
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.fixed_text import places_of_columns
from swathe_drivers.suggest.flags import Flag, judge_bits
from swathe_drivers.suggest.frame_kinds import FrameKind
from swathe_drivers.suggest.line_checks import find_line_check
from swathe_drivers.suggest.line_kinds import kinds_of
from swathe_drivers.suggest.running import Role, clock_of, motion_of
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.travels import quieted, travels_of
from swathe_drivers.suggest.trial import tried

TIMES = np.arange(800) / 40.0
_RNG = np.random.default_rng(3)
_DITHER = _RNG.integers(0, 2, 800).astype(float)
_TRAVELLED = np.round(
    np.interp(TIMES, [0, 4, 4.5, 9, 9.5, 14, 14.5, 20], [0, 0, 40, 40, 80, 80, 120, 120])
)
_DRIFTING = np.round(np.interp(TIMES, [0, 20], [200.0, 224.0]))


def test_dither_of_a_digit_is_taken_off() -> None:
    """An axis that rests between 7 and 8 stays where it was first."""
    assert set(quieted(7.0 + _DITHER, 1.0).tolist()) == {7.0 + _DITHER[0]}


@pytest.mark.parametrize(("values", "moves"), [(_TRAVELLED, True), (_DRIFTING, False)])
def test_axis_travels_and_drift_does_not(values: np.ndarray, moves: bool) -> None:
    """Three times by 40 in half a second, or by a digit every 33 records; both dither."""
    assert travels_of(values + _DITHER, 1.0).are_motion is moves
    assert (motion_of(Series(0, values + _DITHER, TIMES)) is not None) is moves


def _axes(*columns: np.ndarray, hints: Hints | None = None) -> dict[int, Role]:
    roles: dict[int, Role] = {}
    series = [Series(at, values, TIMES) for at, values in enumerate(columns)]
    find_axes(series, roles, hints or Hints(), [])
    return roles


def test_second_axis_that_rests_is_likely_at_most() -> None:
    """The first that moves is shown; the second one is never more than likely."""
    roles = _axes(np.round(300 * np.sin(TIMES)), _TRAVELLED + _DITHER - 60)
    assert {key: role.keys["axis"] for key, role in roles.items()} == {0: "scan", 1: "index"}
    both = _axes(np.round(300 * np.sin(TIMES)), np.round(200 * np.cos(TIMES)))
    assert str(both[1].basis) == "likely"


def test_gain_that_is_set_to_and_fro_is_no_axis() -> None:
    """40 and 44 in turn."""
    assert list(_axes(np.round(300 * np.sin(TIMES)), np.repeat([400.0, 440.0] * 4, 100))) == [0]


def test_display_of_one_position_is_that_of_one_axis() -> None:
    """-10.0 is the first column's number, and a hundred times what the other one dithers by."""
    first = np.round(50 * np.sin(TIMES) - 45, 1)
    first[:80] = -10.0
    series = [Series(0, first, TIMES, whole=False, places=1)]
    series.append(Series(1, -(_TRAVELLED + 1) / 10, TIMES, whole=False, places=1))
    roles: dict[int, Role] = {}
    find_axes(series, roles, Hints(shows=(parse_shown("position=-10.0 mm @ 0 s"),)), [])
    assert roles[0].keys == {"axis": "scan", "unit": "mm"}
    assert roles[1].keys == {"axis": "index", "unit": "mm"}


def test_headings_are_no_readings_and_are_passed_over() -> None:
    """Names in place of the numbers, of two characters and of one, every now and then."""
    lines = [f"{9 + 0.01 * (at % 17):.2f};{at % 9};{at}" for at in range(200)]
    lines[50] = lines[150] = "T1;N;#"
    kinds = kinds_of(lines, np.arange(200), ";")
    assert [len(kind.rows) for kind in kinds] == [198]
    found = suggest([(at * 50_000_000, f"{line}\r\n".encode()) for at, line in enumerate(lines)])
    assert 'ignore_lines = ["T"]' in found.text
    assert "no_echo" not in found.text


def test_prompts_are_passed_over() -> None:
    """A line of its own behind each answer."""
    lines = [f"{9 + 0.01 * (at % 17):.2f} mm\r\nOK>\r\n" for at in range(100)]
    found = suggest([(at * 50_000_000, line.encode()) for at, line in enumerate(lines)])
    assert 'ignore_lines = ["OK>"]' in found.text
    assert found.good


def test_character_that_some_lines_lack_is_no_marker_of_the_checksum() -> None:
    """A flag before it, that the sum counts: the marker would refuse the lines with another flag."""
    bodies = [f"X{at * 37 % 1000:04d}{'#' if at % 40 else '!'}".encode() for at in range(120)]
    found = find_line_check([body + b"%03d" % (sum(body) & 255) for body in bodies])
    assert found is not None
    assert found.length == 3
    assert "after" not in found.table


def test_columns_at_fixed_places_end_between_numbers() -> None:
    """Amplitudes of three digits are one column, and a letter that changes is one."""
    rng = np.random.default_rng(4)
    lines = [
        f"{1200 + at % 7:05d}{int(max(amplitude, 0)):03d}{'V' if at % 30 else 'E'}"
        for at, amplitude in enumerate(rng.normal(68, 6, 360) - 60 * (np.arange(360) % 90 < 8))
    ]
    found = places_of_columns(lines, np.arange(360) / 20, worth=lambda _: 0.0)
    assert [(one.first, one.end) for one in found][-2:] == [(5, 8), (8, 9)]


def test_requests_that_come_back_are_taken_off() -> None:
    """Also where an adapter cuts them; a request of one byte at the beginning of chunks only."""
    chunks = [(0, b"M"), (1, b"?\r12.41\r")] + [
        (at, b"M?\r12.4%d\r" % (at % 10)) for at in range(2, 20)
    ]
    kept, echoed = without_echoes(chunks, [b"M?\r"])
    assert echoed
    assert b"".join(data for _, data in kept) == b"".join(data for _, data in chunks).replace(
        b"M?\r", b""
    )
    assert without_echoes([(0, b"12.41\r")] * 20, [b"M?\r"])[1] is False
    assert without_echoes([(0, b"112.41\r")] * 20, [b"1"])[0][0] == (0, b"12.41\r")


def test_bit_with_which_the_value_is_held_shows_lost_readings() -> None:
    """A value that is the one before with the bit, each time, and seldom without it."""
    rng = np.random.default_rng(8)
    lost = np.zeros(400, np.bool_)
    lost[60:75] = lost[200:230] = True
    values = rng.integers(2300, 2500, 400).astype(float)
    for at in np.flatnonzero(lost):
        values[at] = values[at - 1]
    flag = Flag(0, numbers=np.where(lost, 0x82, 2) | (np.arange(400) % 3 == 0) * 0x20)
    found = judge_bits(flag, [], values)
    assert found is not None
    assert (found.keys, str(found.basis)) == ({"mask": 0x80, "valid_when": 0}, "shown")
    assert judge_bits(flag, [], rng.integers(2300, 2500, 400).astype(float)) is None


def test_value_that_rests_is_not_taken_as_held_where_none_is_sent_as_such() -> None:
    """Dashes show that there is no echo; without them the same run looks held."""
    rng = np.random.default_rng(9)
    values = rng.integers(1180, 1220, 300)
    values[100:140] = 1199
    for dashes in (True, False):
        texts = [
            "--.--" if dashes and at % 40 == 7 else f"{v / 100:.2f}" for at, v in enumerate(values)
        ]
        found = suggest(
            [(at * 50_000_000, f"{text} mm\r\n".encode()) for at, text in enumerate(texts)]
        )
        assert ("held_after" in found.text) is not dashes


def test_description_that_passes_most_lines_over_explains_less() -> None:
    """Nine of ten lines are of no kind that it describes."""
    text = (
        '[protocol]\nother_lines = "ignore"\ncolumns = [{ is = "constant", text = "T" },'
        ' { is = "thickness", unit = "mm" }]\n'
    )
    bare = Suggestion(text, (), rank=10.0)
    lines = [f"T,{9 + at % 7 / 100:.2f}\r\n".encode() for at in range(30)]
    all_taken = tried(bare, [(at, line) for at, line in enumerate(lines)], 0)
    few_taken = tried(bare, [(at, line + b"X,1\r\n" * 9) for at, line in enumerate(lines)], 0)
    assert all_taken.rank == pytest.approx(10.0)
    assert few_taken.rank < 1.0


def test_what_is_guessed_is_what_gives_numbers_and_is_not_shown() -> None:
    """A likely thickness is none, and neither is a checksum that nobody found."""
    findings = (
        Finding("column 1", "thickness mm", Basis.GUESS, ""),
        Finding("column 2", "counts scan", Basis.LIKELY, ""),
        Finding("column 3", "ignore", Basis.GUESS, ""),
    )
    assert Suggestion("", findings).guessed == findings[:1]


def test_number_of_records_is_no_clock_and_neither_is_one_that_restarts_at_once() -> None:
    """Every second record is seen, one each 20 ms; a byte of ms starts again each quarter of a second."""
    seconds = np.arange(800) / 50.0
    for values, span in ((np.arange(800) * 2 % 1000, None), (np.round(seconds * 1000) % 256, 256)):
        role = clock_of(Series(0, values.astype(float), seconds, span=span))
        assert role is None or role.kind == "ignore"
    role = clock_of(Series(0, np.round(seconds * 1000) % 65536, seconds, span=65536))
    assert role is not None
    assert role.kind == "device_time"


def test_number_of_values_in_a_frame_shows_the_kinds_with_fewer() -> None:
    """Two values of two bytes behind their number, one of them, or none; the rest stays."""
    kinds = [
        FrameKind(np.array([[7, n, *([1, 2] * n), 80]] * 9, np.uint8), [0] * 9, 0, 7)
        for n in (2, 1, 0)
    ]
    counted = counted_values(kinds, 0)
    assert counted == CountedValues(place=1, width=2)
    tables: list[dict[str, Any]] = [
        {"is": "constant", "type": "u1", "value": 7},
        {"is": "skip", "bytes": 1},
        {"is": "thickness", "type": "u2", "unit": "mm"},
        {"is": "skip", "bytes": 2},
        {"is": "amplitude", "type": "u1", "unit": "%"},
    ]
    items = [ColumnGuess(table, Basis.GUESS, "") for table in tables]
    one = without_values(items, 0, counted, 2, 1)
    none = without_values(items, 0, counted, 2, 0)
    assert one is not None
    assert none is not None
    assert [item.table["is"] for item in one] == ["constant", "constant", "thickness", "amplitude"]
    assert [item.table["is"] for item in none] == ["constant", "constant", "amplitude"]
    assert one[1].table["value"] == 1
    assert counted_values(kinds[:1], 0) is None
    odd = FrameKind(np.array([[7, 0, 80, 80]] * 9, np.uint8), [0] * 9, 0, 7)
    assert counted_values([kinds[0], odd], 0) is None  # 3 bytes for 2 values
