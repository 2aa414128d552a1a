"""Parts of what is found in lines of text: kinds of lines, patterns, states, times of flight."""

from __future__ import annotations

import re

import numpy as np
import pytest

from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Basis, Hints, parse_shown, suggest
from swathe_drivers.suggest.axes import find_axes
from swathe_drivers.suggest.display import match_shown
from swathe_drivers.suggest.flags import Flag, judge_texts, lost_of
from swathe_drivers.suggest.flight import named_flight, shown_flight
from swathe_drivers.suggest.hints import Shown
from swathe_drivers.suggest.line_kinds import kinds_of
from swathe_drivers.suggest.running import Role, motion_of
from swathe_drivers.suggest.series import Series, find_sentinels
from swathe_drivers.suggest.skeleton import skeletons_of

TIMES = np.arange(200) / 20.0


def _numbers(values: list[float], **keys: object) -> Series:
    return Series(0, np.array(values), np.arange(len(values)) / 20.0, **keys)  # type: ignore[arg-type]


def _wall(number: int = 200) -> list[float]:
    return [round(9.0 + 0.37 * (at % 11) + 0.01 * (at % 3), 2) for at in range(number)]


@pytest.mark.parametrize(
    ("codes", "found"), [([65535.0, 65534.0], (65534.0, 65535.0)), ([65535.0, 30000.0], (65535.0,))]
)
def test_sentinels_several_at_the_top_of_the_type(
    codes: list[float], found: tuple[float, ...]
) -> None:
    """FFFF and FFFE stand for none; of 30000 two are a measured value or not, and not taken."""
    values = np.array([1000.0 * value for value in _wall()])
    values[10:40] = codes[0]
    values[60:64] = codes[1]
    assert find_sentinels(values, 65536) == found


def test_sentinels_single_digits_are_digits() -> None:
    """8 and 9 of one digit are no nines that stand for none."""
    values = np.array([float(1 + at % 5) for at in range(100)] + [8.0, 9.0] * 10)
    assert 9.0 not in find_sentinels(values)


def test_skeleton_takes_a_word_in_place_of_a_number_and_its_unit() -> None:
    """`TH LOS` is of the kind of `TH 9.37 mm`, and the word is the number's text."""
    lines = [f"TH {value:.2f} mm" if at % 9 else "TH LOS" for at, value in enumerate(_wall())]
    (one,) = skeletons_of(lines)
    assert len(one.rows) == len(lines)
    assert one.rows[0] == ["LOS"]
    assert one.rows[1] == [f"{_wall()[1]:.2f}"]


def test_skeleton_keeps_a_sign_behind_a_number() -> None:
    """A minus sign before a space belongs to the number before it."""
    lines = [f"{at:06d} {abs(at - 50):5.1f}{'-' if at < 50 else ' '} END" for at in range(100)]
    (one,) = skeletons_of(lines)
    assert one.rows[0][1] == "50.0-"
    assert one.rows[99][1] == "49.0"


def test_skeleton_takes_exponents() -> None:
    """1.25E+01 is one number."""
    lines = [f"V{value:.2E};{at}" for at, value in enumerate(_wall())]
    (one,) = skeletons_of(lines)
    assert float(one.rows[3][0]) == pytest.approx(_wall()[3], abs=0.01)
    assert re.compile(one.pattern).fullmatch(lines[3]) is not None


def test_kinds_of_lines_numbered_by_their_first_column() -> None:
    """2, 2, 1, 2, 2, 1: kinds; a state that stays for long is none, and no running number either."""
    times = np.arange(120, dtype=np.int64)
    turn = [f"1,{at / 10:.2f}" if at % 3 == 2 else f"2,{9000 + at}" for at in range(120)]
    assert sorted(str(kind.lead) for kind in kinds_of(turn, times, ",")) == ["1", "2"]
    state = [f"{1 if at < 60 else 2},{at}" for at in range(120)]
    assert [kind.lead for kind in kinds_of(state, times, ",")] == [None]
    running = [f"{at % 4},{at}" for at in range(120)]
    assert [kind.lead for kind in kinds_of(running, times, ",")] == [None]


def test_state_with_which_the_value_is_held_is_no_reading() -> None:
    """A: 0.00 is sent; H: the last value again, shorter than chance makes runs elsewhere impossible."""
    values: list[float] = []
    texts: list[str] = []
    for at, value in enumerate(_wall()):
        if at % 40 in (10, 11, 12):
            values.append(values[-1])
            texts.append("H")
        elif at % 40 in (20, 21):
            values.append(np.nan)
            texts.append("A")
        else:
            values.append(value)
            texts.append("")
    known = np.array(values)
    verdicts = lost_of(np.isnan(known), known, None)
    found = judge_texts(Flag(1, texts=tuple(texts)), verdicts, known)
    assert sorted(found.keys["invalid"]) == ["A", "H"]
    assert found.basis is Basis.LIKELY
    known[np.array(texts) == "H"] += 0.01 * np.arange(15)  # with it the value changes: a reading
    found = judge_texts(Flag(1, texts=tuple(texts)), verdicts, known)
    assert found.keys["invalid"] == ["A"]


def test_flight_by_its_name_needs_a_metal_where_the_display_is_known() -> None:
    """4555 ns for 12.2 mm is 2.68 mm a us; for 40 mm no metal has it."""
    times = _numbers([4555.0 + at % 7 for at in range(100)], places=1, name="TOF=")
    role = named_flight(times, 0.0, (parse_shown("12.2 mm"),))
    assert role is not None
    assert (role.kind, role.keys) == ("time_of_flight", {"unit": "ns"})
    assert named_flight(times, 0.0, (parse_shown("40.0 mm"),)) is None
    other = _numbers([4555.0 + at % 7 for at in range(100)], places=1, name="THK=")
    assert named_flight(other, 0.0, ()) is None


def _displayed(scale: float, offset: float, values: list[float]) -> tuple[Shown, ...]:
    """What a display shows at two moments."""
    return tuple(
        parse_shown(f"{scale * values[at] + offset:.3f} mm @ {at / 20} s") for at in (20, 190)
    )


def test_display_shows_the_delay_of_a_time_of_flight() -> None:
    """2.96 mm a us from 0.41 us on: 5920 m/s and the roundest delay, as a guess; without one as likely."""
    flights = [3000.0 + 5 * at for at in range(200)]
    role = shown_flight(_numbers(flights), 0.0, _displayed(2.96e-3, -2.96e-3 * 410, flights))
    assert role is not None
    assert role.keys == {"unit": "ns", "offset": pytest.approx(-410.0, abs=12.0)}
    assert role.basis is Basis.GUESS
    assert "5920 m/s" in role.why
    plain = shown_flight(_numbers(flights), 0.0, _displayed(2.96e-3, 0.0, flights))
    assert plain is not None
    assert (plain.basis, plain.keys) == (Basis.LIKELY, {"unit": "ns"})


def test_display_that_no_metal_makes_of_a_time_shows_no_flight() -> None:
    """5 mm a us is no wall in metal, and a delay is neither below 0 nor most of the time."""
    late = [9000.0 + 5 * at for at in range(200)]
    assert shown_flight(_numbers(late), 0.0, _displayed(2.96e-3, -2.96e-3 * 7000, late)) is None
    volts = [2.0 + at / 100 for at in range(200)]
    assert (
        shown_flight(_numbers(volts, whole=False, places=2), 0.0, _displayed(5, 2, volts)) is None
    )
    assert (
        shown_flight(_numbers(volts, whole=False, places=2), 0.0, _displayed(3, 2, volts)) is None
    )


def test_display_at_zero_shows_no_scale() -> None:
    """0.0 mm is 0 in every unit."""
    series = _numbers([float(at) for at in range(200)][::-1], whole=True)
    assert match_shown(series, (parse_shown("position=0.0 mm"),)) is None


def test_position_in_cm_is_shown_by_the_display() -> None:
    """49.99 for 499.9 mm: ten times what is sent."""
    series = _numbers([at / 4 for at in range(200)], places=2)
    match = match_shown(series, (parse_shown("position=497.5 mm"),))
    assert match is not None
    assert match.scale == 10.0


def test_drift_is_no_second_axis_and_stepped_one_is() -> None:
    """A gain goes by tenths; an index axis by lines."""
    scan = Series(0, 300 * np.sin(TIMES), TIMES)
    gain = Series(1, np.repeat(np.arange(390.0, 410.0), 10), TIMES)
    line = Series(2, np.repeat(np.arange(0.0, 50.0, 5.0), 20), TIMES)
    roles: dict[int, Role] = {}
    find_axes([scan, gain], roles, Hints(), [])
    assert list(roles) == [0]
    roles = {}
    fine = Series(1, np.repeat(np.arange(390.0, 440.0), 20)[:200] + 0.0, TIMES)
    find_axes([scan, fine], roles, Hints(), [])
    assert list(roles) == [0]
    roles = {}
    battery = np.where(np.arange(200) % 90 < 45, 78.0, 77.0)
    both = Series(1, 65536 * battery + np.arange(200) // 2, TIMES, span=1 << 32)
    find_axes([scan, both], roles, Hints(), [])
    assert list(roles) == [0]
    roles = {}
    find_axes([scan, line], roles, Hints(), [])
    assert sorted(roles) == [0, 2]
    assert roles[2].basis is not Basis.SHOWN


def test_counter_of_measurements_that_is_polled_is_no_axis() -> None:
    """20 a second, read 50 times a second: it rests, and still it follows the time."""
    times = np.arange(600) / 50.0
    counter = Series(0, np.floor(20 * times) + 700, times)
    role = motion_of(counter)
    assert role is not None
    assert role.basis is Basis.GUESS
    carriage = Series(0, np.floor(60 * times + 150 * np.sin(times)), times)
    moved = motion_of(carriage)
    assert moved is not None
    assert moved.basis is not Basis.GUESS


def test_display_that_no_column_explains_is_named() -> None:
    """No odd factor is made up: the number is asked for again."""
    lines = "".join(f"{value:.2f},{at}\r\n" for at, value in enumerate(_wall()))
    chunks = [(at * 50_000_000, part.encode()) for at, part in enumerate(lines.splitlines(True))]
    found = suggest(chunks, hints=Hints(shows=(parse_shown("33.17 mm"),)))
    texts = [question.text for question in found.questions]
    assert any("33.17 mm" in text and "No number here" in text for text in texts)
    protocol = parse_description(found.text, "proposed").protocol
    assert "scale" not in protocol["columns"][0]


def test_headings_without_a_checksum_are_passed_over() -> None:
    """A heading every 40 lines has no sum; the lines between are read without a fault."""
    out = []
    for at, value in enumerate(_wall()):
        if at % 40 == 0:
            out.append("  NO   THK  SUM\r\n")
        body = f"{at:04d} {value:6.2f} "
        out.append(f"{body}{sum(body.encode()):05d}\r\n")
    chunks = [(at * 50_000_000, line.encode()) for at, line in enumerate(out)]
    found = suggest(chunks, hints=Hints(contents="gauge"))
    description = parse_description(found.text, "proposed")
    assert description.protocol["ignore_lines"]
    batch = description.decoder(ns_per_byte=0).feed_chunks(chunks)
    assert batch.readings["thickness"].tolist() == pytest.approx(_wall())
    assert not batch.faults


def test_readings_and_positions_in_lines_of_two_kinds_are_one_description() -> None:
    """Kinds told apart by a number, a clock in one of them only."""
    out = []
    for at, value in enumerate(_wall()):
        place = round(2000 * np.sin(at / 40))
        out.append(f"2,{place}\r\n")
        out.append(f"2,{place + 3}\r\n")
        out.append(f"1,{value:.2f},{1000 + 50 * at}\r\n")
    chunks = [(at * 50_000_000 // 3, line.encode()) for at, line in enumerate(out)]
    found = suggest(chunks)
    description = parse_description(found.text, "proposed")
    assert len(description.protocol["record"]) == 2
    batch = description.decoder(ns_per_byte=0).feed_chunks(chunks)
    assert batch.readings["thickness"].tolist() == pytest.approx(_wall())
    assert batch.positions["counts"].shape[0] == 400


def test_numbers_of_any_size_are_compared_with_the_display() -> None:
    """Bytes that are no float but are taken for one, scaled, are beyond what a float holds."""
    values = np.array([3e38, -3e38, 1.7e38] * 20, np.float32)
    huge = Series(0, values, np.arange(values.size) / 20.0)  # type: ignore[arg-type]
    assert match_shown(huge, (parse_shown("12.41 mm"),)) is None


def test_what_was_sent_is_proposed_with_the_rest() -> None:
    """Without its request a polled device sends nothing: the description would be of no use."""
    talk = {"poll": [{"send": "THK?\r", "every": "40 ms"}], "answer": {"ends": "\r\n"}}
    chunks = [(at * 50_000_000, f"{value:.2f} mm\r\n".encode()) for at, value in enumerate(_wall())]
    found = suggest(chunks, talk=talk, port={"baud": 9600}, hints=Hints(contents="gauge"))
    for one in (found, *found.others):
        settings = parse_description(one.text, "proposed.toml").talk
        assert settings is not None
        assert [poll.send for poll in settings.poll] == ["THK?\r"]
    assert suggest(chunks, port={"baud": 9600}).text.count("[talk]") == 0


def test_position_without_a_unit_is_asked_for_as_it_is_answered() -> None:
    """With the number that it ends with; the answer is a number with its unit."""
    way = [round(0.7 * (at if at < 120 else 240 - at) + 0.01 * (at % 7), 1) for at in range(240)]
    lines = [f"{value:.2f},{place:+.1f}\r\n" for value, place in zip(_wall(240), way, strict=True)]
    chunks = [(at * 50_000_000, line.encode()) for at, line in enumerate(lines)]
    found = suggest(chunks, hints=Hints(shows=(parse_shown("9.37 mm @ 0.1 s"),)))
    (asked,) = [one.text for one in found.questions if one.quantity == "position"]
    assert asked.startswith("Which position does the display show now, with its unit (")
    assert f"ends with {way[-1]:g})?" in asked
    answered = suggest(chunks, hints=Hints(shows=(parse_shown(f"position={way[-1]} mm"),)))
    assert not [one for one in answered.questions if one.quantity == "position"]
