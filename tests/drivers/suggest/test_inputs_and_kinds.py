"""Inputs' numbers, lines without a value, frames that are passed over: what is proposed, and what is not."""

from __future__ import annotations

import random
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.suggest.streams import wall
from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Basis, Hints, Suggestion, parse_shown, suggest
from swathe_drivers.suggest import _reads_more as reads_more
from swathe_drivers.suggest.findings import ColumnGuess, Finding
from swathe_drivers.suggest.flags import Flag, Verdict, judge_bits
from swathe_drivers.suggest.flight import shown_flight
from swathe_drivers.suggest.frame_capture import has_lengths
from swathe_drivers.suggest.kind_records import _of_other_lengths as of_other_lengths
from swathe_drivers.suggest.line_kinds import LineKind
from swathe_drivers.suggest.line_writing import _leads_of as leads_of
from swathe_drivers.suggest.measured import amplitude_of
from swathe_drivers.suggest.probe_columns import with_inputs
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.trial import tried
from swathe_drivers.suggest.valueless_lines import valueless

TIMES: NDArray[np.float64] = np.arange(240, dtype=np.float64) / 20
THICKNESS = Role("thickness", 5.0, Basis.LIKELY, "", {"unit": "mm"})


def roles_with(
    numbers: NDArray[Any], values: NDArray[np.float64], other: Role | None = None
) -> Roles:
    """The roles of a column of numbers next to a thickness, once inputs are looked for."""
    series = [Series(0, numbers.astype(float), TIMES), Series(1, values, TIMES, whole=False)]
    of = {1: THICKNESS} | ({} if other is None else {0: other})
    return with_inputs(Roles(of, (), 5.0), series)


def smooth(offset: float) -> NDArray[np.float64]:
    """A wall of which each probe sees another place."""
    return np.asarray(10.0 + offset + 0.5 * np.sin(TIMES), np.float64)


def test_number_whose_values_go_on_from_each_other_is_that_of_the_input() -> None:
    """In whatever order the inputs come, counted from 0 or 1."""
    source = random.Random(1)
    for numbers in (np.arange(240) % 3, np.array([source.randrange(3) for _ in range(240)])):
        values = np.choose(numbers, [smooth(0.0), smooth(1.7), smooth(3.1)])
        role = roles_with(numbers, values).of[0]
        assert (role.kind, role.keys, role.basis) == ("probe", {"inputs": [0, 1, 2]}, Basis.LIKELY)


def test_number_in_turn_on_one_wall_is_taken_for_an_input_from_1_only() -> None:
    """From 0 it is as well a running number of few bits."""
    values = smooth(0.0)
    assert roles_with(np.arange(240) % 4 + 1, values).of[0].keys == {"inputs": [1, 2, 3, 4]}
    assert 0 not in roles_with(np.arange(240) % 4, values).of


@pytest.mark.parametrize(
    "other",
    [
        Role("status", 9.0, Basis.SHOWN, "", {}),
        Role("sequence", 9.0, Basis.SHOWN, "", {}),
        Role("amplitude", 9.0, Basis.LIKELY, "", {}, shown=1.0),
    ],
)
def test_what_is_known_of_a_column_stays(other: Role) -> None:
    """An input is no better guess than that."""
    numbers = np.arange(240) % 2 + 1
    values = np.choose(numbers - 1, [smooth(0.0), smooth(2.0)])
    assert roles_with(numbers, values, other).of[0] is other


def test_state_that_stays_for_long_is_no_input() -> None:
    """Nor are numbers with a rare one, or without readings next to them."""
    state = np.repeat([1, 2], 120)
    assert 0 not in roles_with(state, np.choose(state - 1, [smooth(0.0), smooth(2.0)])).of
    rare = np.arange(240) % 2 + 1
    rare[5] = 3
    assert 0 not in roles_with(rare, smooth(0.0)).of
    series = [Series(0, np.arange(240.0) % 2 + 1, TIMES)]
    assert with_inputs(Roles({}, (), 0.0), series).of == {}


def test_two_probes_in_lines_are_proposed_with_their_inputs() -> None:
    """From the bytes on."""
    source = random.Random(2)
    profile = wall(source, 9.0)
    chunks = []
    for n in range(400):
        probe = n % 2 + 1
        value = profile(n / 40) + 1.3 * probe + source.gauss(0, 0.01)
        text = "--.--" if n % 37 < 3 else f"{value:05.2f}"
        chunks.append(
            (n * 25_000_000, f"W;{probe};{text};{60 + source.randrange(20)}\r\n".encode())
        )
    text = suggest(chunks).text
    assert '{ is = "probe", inputs = [1, 2] }' in text
    assert parse_description(text, "x").decoder(ns_per_byte=0).inputs == (1, 2)  # type: ignore[attr-defined]


KIND = LineKind("T", [["T", "1", "8.1", "70"]] * 20, np.arange(20.0), list(range(20)))
ITEMS = [
    ColumnGuess({"is": "constant", "text": "T"}, Basis.SHOWN, ""),
    ColumnGuess({"is": "device_time", "unit": "ms"}, Basis.SHOWN, ""),
    ColumnGuess({"is": "thickness", "unit": "mm"}, Basis.LIKELY, ""),
    ColumnGuess({"is": "amplitude"}, Basis.GUESS, ""),
]


def test_lines_with_a_word_in_place_of_the_value_are_readings_without_an_echo() -> None:
    """With the columns before it as they are."""
    bodies = ["T 1 8.1 70"] * 20 + ["T 2 NOECHO"] * 5 + ["S x"] * 9
    found = valueless(bodies, " ", KIND, ITEMS)
    assert found is not None
    assert [item.table for item in found.items] == [
        {"is": "constant", "text": "T"},
        {"is": "device_time", "unit": "ms"},
        {"is": "status", "valid": [], "invalid": ["NOECHO"]},
    ]


@pytest.mark.parametrize(
    "others",
    [
        ["T 2 NOECHO"] * 2,  # too few
        ["T 2 8.1"] * 5,  # a number
        ["T 2 A", "T 2 B", "T 2 C", "T 2 D", "T 2 E"],  # many words
        ["T 2 NOECHO", "T NOECHO", "T 2 NOECHO", "T NOECHO"],  # of two lengths
        ["T 2 NOECHO"] * 50,  # more than those with a value
    ],
)
def test_other_shorter_lines_are_not(others: list[str]) -> None:
    """They are left to the person."""
    assert valueless(["T 1 8.1 70"] * 20 + others, " ", KIND, ITEMS) is None


def test_description_that_passes_over_readings_is_not_the_best() -> None:
    """One that reads them, and gives as much, is; with more faults or less in it, it is not."""
    text = '{ is = "thickness" }\n{ is = "amplitude" }\n'
    best = Suggestion(text, (), good=True, readings=700)
    more = Suggestion(text, (), good=True, readings=770)
    assert reads_more(more, best)
    assert not reads_more(best, more)
    assert not reads_more(Suggestion(text, (), good=True, readings=705), best)
    assert not reads_more(Suggestion(text, (), good=False, readings=770), best)
    assert not reads_more(Suggestion(text, (), good=True, readings=770, trouble=0.01), best)
    assert not reads_more(Suggestion(text, (), good=True, readings=770, unmet=("x",)), best)
    assert not reads_more(Suggestion('{ is = "thickness" }\n', (), good=True, readings=770), best)
    commented = '{ is = "thickness" }\n  # { is = "amplitude" }\n'
    assert not reads_more(Suggestion(commented, (), good=True, readings=770), best)


def test_status_of_many_numbers_is_a_quantity() -> None:
    """Others of it are still to come, each of which would be a fault; no bit shows the missing value."""
    for names, listed in (((1, 4, 3, 6, 8, 15), True), ((1, 4, 3, 6, 9, 11, 12, 15, 2, 8), False)):
        numbers = np.tile(names, 240 // len(names))
        lost = np.isin(numbers, (1, 4))
        values = np.where(lost, np.nan, smooth(0.0)[: numbers.size])
        found = judge_bits(Flag(0, numbers=numbers), [Verdict(lost, "no value")], values)
        assert (found is not None and "valid" in found.keys) == listed


@pytest.mark.slow
def test_frames_of_another_length_are_passed_over_without_faults() -> None:
    """Seldom ones as well, told apart by their first byte; SLIP."""
    source = random.Random(3)
    profile = wall(source, 9.0)
    chunks = []
    for n in range(370):
        value = int(100 * (profile(n / 40) + source.gauss(0, 0.01)))
        body = b"\x01" + (0 if n % 41 < 3 else value).to_bytes(2, "big") + bytes([50 + n % 17])
        bodies = [body] + ([b"\x02" + bytes([n % 7, 9, 9, 9, n % 5])] if n % 36 == 9 else [])
        for one in bodies:
            checked = one + sum(one).to_bytes(2, "big")
            framed = checked.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc")
            chunks.append((n * 20_000_000, b"\xc0" + framed + b"\xc0"))
    found = suggest(chunks)
    batch = parse_description(found.text, "x").decoder(ns_per_byte=0).feed_chunks(chunks)
    assert batch.readings.size == 370
    assert not batch.n_faults
    assert batch.n_ignored == 11


def test_damaged_line_is_no_heading() -> None:
    """It begins as others do; a line that begins otherwise is one, or one that comes again."""
    usual = [b"E,1,2", b"E,2,3", b"G,1"]
    assert leads_of([b"E,9?,3", b"#start"], usual) == ["#"]
    assert leads_of([b"E:a"] * 3, usual) == ["E:"]
    assert leads_of([b"E:a"] * 2, usual) == []


def test_time_of_flight_in_steps_of_2500_ps_is_found_by_the_display() -> None:
    """4096 of them are 30.3 mm at 5920 m/s."""
    series = Series(0, np.linspace(1400.0, 1600.0, 240).round(), TIMES)
    role = shown_flight(series, 1.0, (parse_shown("11.84 mm"),))
    assert role is not None
    assert role.keys == {"unit": "ns", "scale": 2.5}
    assert role.basis is Basis.GUESS


def test_level_far_above_full_screen_height_is_no_amplitude() -> None:
    """A gain of 42 dB, or a level of which 60 dB is full screen height."""
    values = np.linspace(-12.0, 2.0, 240).round(1)
    for offset, is_one in ((0.0, True), (50.0, False)):
        series = Series(0, values + offset, TIMES, whole=False, places=1, label="dB")
        assert (amplitude_of(series, Hints()) is not None) == is_one


def test_second_length_is_that_of_another_kind_where_it_comes_ten_times() -> None:
    """However seldom that is."""
    assert has_lengths([b"ab"] * 900 + [b"abc"] * 10)
    assert not has_lengths([b"ab"] * 900 + [b"abc"] * 9)
    assert not has_lengths([b"ab"] * 900)


def test_kinds_of_one_length_are_not_passed_over() -> None:
    """What divides them may be a status of readings."""
    of = {size: SimpleNamespace(kind=SimpleNamespace(length=size)) for size in (5, 8, 9)}
    every: Any = [of[8], of[5], of[9]]
    assert of_other_lengths(every[0], every) == [of[5], of[9]]
    again: Any = [*every, SimpleNamespace(kind=SimpleNamespace(length=8))]
    assert of_other_lengths(again[0], again) == []


def test_faults_of_the_trial_count_against_a_description() -> None:
    """Another way of cutting that has none is the better one."""
    text = '[protocol]\ncolumns = [{ is = "thickness", unit = "mm" }]\n'
    one = Suggestion(text, (Finding("x", "y", Basis.SHOWN, ""),), rank=10.0)
    lines = [b"%.2f\r\n" % (8.0 + 0.01 * n) for n in range(200)]
    sound = tried(one, [(0, b"".join(lines))], 0)
    faulty = tried(one, [(0, b"".join([*lines, b"x\r\n", b"y\r\n"]))], 0)
    assert sound.rank == 10.0
    assert faulty.rank == 10.0 - 300.0 * 2 / 200
