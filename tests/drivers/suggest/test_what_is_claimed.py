"""What is not claimed: echoes, second axes, upper halves, amplitudes and displays that the bytes do not carry."""

from __future__ import annotations

import warnings
from functools import reduce
from operator import xor

import numpy as np
import pytest

from swathe_drivers.suggest import Basis, Hints, parse_shown, suggest
from swathe_drivers.suggest.axes import find_axes
from swathe_drivers.suggest.echoes import may_be_its_own, own_or_cut
from swathe_drivers.suggest.encodings import encodings_at
from swathe_drivers.suggest.findings import Finding, OpenQuestion, Suggestion
from swathe_drivers.suggest.halves import without_halves
from swathe_drivers.suggest.measured import amplitude_of
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series, bits_of
from swathe_drivers.suggest.trial import tried

TIMES = np.arange(400) / 20.0
SWEPT = np.round(3000 * np.sin(TIMES * 0.9))


def _chunks(lines: list[bytes]) -> list[tuple[int, bytes]]:
    return [(at * 50_000_000, line) for at, line in enumerate(lines)]


def test_byte_that_the_checksum_counts_is_no_echo() -> None:
    """Answers to M begin with M, and their exclusive or counts it: nothing is echoed."""
    rng = np.random.default_rng(5)
    walls = 1240 + rng.integers(0, 9, 150)
    answers = []
    for place, wall in zip(SWEPT.astype(int).tolist(), walls.tolist(), strict=False):
        body = b"M" + place.to_bytes(4, "big", signed=True) + wall.to_bytes(2, "big")
        answers.append(body + bytes([reduce(xor, body)]))
    found = suggest(_chunks(answers), talk={"poll": [{"send": "M", "every": "50 ms"}]})
    assert "echo" not in found.text
    assert not any("send each command back" in one.text for one in found.questions)
    assert 'is = "counts"' in found.text
    assert any(one.about == "checksum" and one.basis is Basis.SHOWN for one in found.findings)


def test_echo_is_claimed_where_only_it_explains_the_answers() -> None:
    """Both are good: none is claimed, and it is asked; the checksum fits without it: an echo."""
    own = Suggestion("own", (), good=True)
    cut = Suggestion("cut", (), good=True)
    chosen, echoed = own_or_cut(own, cut)
    assert (chosen.text, echoed) == ("own", False)
    assert chosen.questions[0].text.startswith("Does the device send each command back")
    assert own_or_cut(Suggestion("own", (), good=False), cut)[1]
    summed = Suggestion("cut", (Finding("checksum", "sum", Basis.SHOWN, ""),), good=True)
    assert own_or_cut(own, summed)[1]
    assert may_be_its_own([b"M"])
    assert may_be_its_own([b"\xaa\x55"])
    assert not may_be_its_own([b"M?\r"])


def _axes(*columns: np.ndarray) -> tuple[dict[int, Role], list[OpenQuestion]]:
    roles: dict[int, Role] = {}
    questions: list[OpenQuestion] = []
    series = [Series(at, values, TIMES[: values.size]) for at, values in enumerate(columns)]
    find_axes(series, roles, Hints(), questions)
    return roles, questions


def test_axis_at_another_moment_is_no_second_axis() -> None:
    """Two shots of a record: the first is the axis; another motion is a second axis."""
    finer = np.round(3000 * np.sin(np.arange(800) / 40.0 * 0.9))
    roles, questions = _axes(finer[1::2], finer[::2])
    assert [roles[0].kind, roles[1].kind] == ["counts", "ignore"]
    assert roles[0].keys["axis"] == "scan"
    assert "several readings" in questions[0].text
    both, _ = _axes(SWEPT, np.round(2000 * np.cos(TIMES * 0.7)))
    assert [both[0].kind, both[1].kind] == ["counts", "counts"]


def test_counter_of_readings_is_no_second_axis() -> None:
    """It goes up unevenly in all records, while the axis goes to and fro."""
    rng = np.random.default_rng(6)
    paces = rng.integers(1, 4, 400) * np.repeat([1, 6, 2, 9], 100)
    roles, _ = _axes(SWEPT, 1200 + np.cumsum(paces).astype(float))
    assert [key for key, role in roles.items() if role.kind == "counts"] == [0]


def test_line_through_two_positions_of_the_display_is_no_length() -> None:
    """There is one through any two, also of a slope of -10."""
    roles: dict[int, Role] = {}
    coarse = np.round(SWEPT / 20)
    shows = [f"position={2336 - 10 * coarse[at]:.0f} mm @ {TIMES[at]} s" for at in (35, 105)]
    find_axes([Series(0, coarse, TIMES)], roles, Hints(shows=tuple(map(parse_shown, shows))), [])
    assert roles[0].kind == "counts"


@pytest.mark.parametrize(
    ("kind", "halved"), [("sign", True), ("turns", True), ("below", True), ("other", False)]
)
def test_number_next_to_its_upper_half_is_not_shown(kind: str, halved: bool) -> None:
    """Words of a number of 32 bits with the lower one first; another number next to it is none."""
    place = SWEPT.astype(np.int64) + (65_536 if kind == "turns" else 0)
    place -= 4_000 * (kind == "below")
    words = np.stack((place & 0xFFFF, place >> 16 & 0xFFFF), axis=1)
    if kind == "other":
        words[:, 1] = np.arange(400) % 7
    rows = words.astype(">u2").view(np.uint8).reshape(400, 4)
    fields = [
        next(one for one in encodings_at(rows, at, "big") if one.kind == name)
        for at, name in ((0, "i2"), (2, "u1"))
    ]
    roles = {
        0: Role("counts", 9.0, Basis.SHOWN, "moves", {"axis": "scan"}),
        1: Role("ignore", 0.0, Basis.GUESS, "", {}),
    }
    halved_roles = without_halves(fields, rows, Roles(roles, (), 0.0))
    found = halved_roles.of[0]
    assert bool(halved_roles.questions) is halved
    assert (found.basis is Basis.LIKELY) is halved
    assert ("bytes 2 to 3 may be its upper half" in found.why) is halved


def test_amplitude_with_an_offset_is_not_proposed() -> None:
    """Degrees that run with the display's percent; a plain amplitude is one."""
    heights = np.round(60 + 30 * np.sin(TIMES))
    hints = Hints(
        shows=tuple(parse_shown(f"{heights[at]:.0f} % @ {TIMES[at]} s") for at in (30, 90, 390))
    )
    assert amplitude_of(Series(0, heights, TIMES), hints) is not None
    assert amplitude_of(Series(0, np.round((heights + 515.6) / 2.714), TIMES), hints) is None


def test_numbers_of_eight_bytes_are_measured_without_a_warning() -> None:
    """Twice the largest is none of 64 bits."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert bits_of(np.array([2**62, -(2**62), 2**62 + 5, 7, -(2**62) - 9] * 9)) > 0


COLUMNS = (
    '[protocol]\ncolumns = [{ is = "counts", axis = "scan" }, { is = "thickness", unit = "mm" }]\n'
)
FOUND = (
    Finding("column 1", "counts scan", Basis.SHOWN, ""),
    Finding("column 2", "thickness mm", Basis.SHOWN, ""),
)
WALLS = 9 + np.arange(400) % 100 / 50.0
LINES = _chunks([b"%d,%.2f\r\n" % pair for pair in zip(SWEPT.astype(int), WALLS, strict=True)])


def _unmet(*shows: str, text: str = COLUMNS, sends: str | None = None) -> tuple[str, ...]:
    hints = Hints(shows=tuple(map(parse_shown, shows)), contents=sends)  # type: ignore[arg-type]
    return tried(Suggestion(text, FOUND), LINES, 0, hints).unmet


def _places(*at: int) -> list[str]:
    return [f"position={SWEPT[one] / 48 - 7:.1f} mm @ {TIMES[one]} s" for one in at]


def test_what_the_display_showed_is_in_the_proposal_or_named() -> None:
    """Thickness, position by any factor and zero, amplitude."""
    assert _unmet(f"{WALLS[99]:.2f} mm @ {TIMES[99]} s", *_places(30, 120, 200, 330)) == ()
    (wall,) = _unmet("5.31 mm @ 5 s")
    assert wall == "the display's 5.31 mm: no thickness was it then"
    (place,) = _unmet(*_places(30, 120, 200), "position=300.0 mm @ 16.5 s")
    assert place.endswith("no axis moves as it says")
    (height,) = _unmet("64 %")
    assert height == "the display's 64 %: no amplitude gives it"


def test_what_was_asked_for_is_in_the_proposal_or_named() -> None:
    """A port that was said to send both, and a description of one."""
    bare = COLUMNS.replace('{ is = "counts", axis = "scan" }', '{ is = "ignore" }')
    asked, shown = _unmet("position=4.0 mm", text=bare, sends="both")
    assert asked == "a position was asked for (--sends both), and none was found"
    assert shown == "the display's position 4.0 mm: no position"
    only = COLUMNS.replace('{ is = "thickness", unit = "mm" }', '{ is = "ignore" }')
    assert "thickness" in _unmet(text=only, sends="both")[0]
    assert _unmet(text=only, sends="encoder") == ()


def test_velocity_chosen_for_numbers_that_hardly_differ_shows_nothing() -> None:
    """5900 m/s of any two sizes; 12.81 and 12.87 mm meet some velocity whatever the number is."""
    flights = COLUMNS.replace('"thickness", unit = "mm"', '"time_of_flight", unit = "us"')
    far = [f"{WALLS[at] * 2.95:.2f} mm @ {TIMES[at]} s" for at in (20, 395)]
    assert _unmet(*far, text=flights) == ()
    close = [f"{WALLS[at] * 2.95:.2f} mm @ {TIMES[at]} s" for at in (20, 120)]
    (said,) = _unmet(*close, text=flights)
    assert "a velocity can be chosen" in said
    assert "no velocity" in _unmet(far[0], "3.10 mm @ 12 s", text=flights)[0]


def test_likely_is_not_enough_without_the_display() -> None:
    """Neither for the value nor for the position."""
    likely = tuple(Finding(one.about, one.what, Basis.LIKELY, "") for one in FOUND)
    said = tried(Suggestion(COLUMNS, likely), LINES, 0, Hints()).unmet
    assert len(said) == 2
    shows = (f"{WALLS[99]:.2f} mm @ {TIMES[99]} s", *_places(30, 120, 200, 330))
    hints = Hints(shows=tuple(map(parse_shown, shows)))
    assert tried(Suggestion(COLUMNS, likely), LINES, 0, hints).unmet == ()
