"""Quantities of a station file: any unit in, plain mm, µs, ns and percent out."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathe.units import (
    _FACTORS,
    _factor,
    _rounded,
    decibels,
    duration_ns,
    length,
    percent,
    time_of_flight,
    velocity,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("7 in", 177.8),
        ("7in", 177.8),
        ("  7  inch ", 177.8),
        ("1 thou", 0.0254),
        ("0.5 m", 500.0),
        ("-3 cm", -30.0),
        (".5 mm", 0.5),
        ("5. mm", 5.0),
        ("+1e2 um", 0.1),
        ("25 µm", 0.025),
        ("25 \u03bcm", 0.025),
        ("1 foot", 304.8),
        ("1 mile", 1_609_344.0),
        ("0 in", 0.0),
        (0, 0.0),
        (0.0, 0.0),
    ],
)
def test_length_any_unit_in_mm_out(text: object, mm: float) -> None:
    """Whatever unit of length is given, mm come out, without the conversion's last-digit noise."""
    assert length(text) == mm


def test_usual_units_have_the_factors_of_the_units_library() -> None:
    """What is not asked of pint is what pint would answer, but for its rounding."""
    factors = [(into, unit, f) for into, units in _FACTORS.items() for unit, f in units.items()]
    assert len(factors) > 20
    for into, unit, factor in factors:
        assert factor == _rounded(_factor(unit, into)), (unit, into)


@pytest.mark.parametrize("text", ["10 mil", "10 mils", "10mil", "3 mil/us"])
def test_length_mil_refused_with_thou_hint(text: str) -> None:
    """Pint's mil is an angle: the message says what to write instead."""
    with pytest.raises(ValueError, match="'mil' is an angle") as caught:
        length(text)
    assert str(caught.value) == (
        "must be a length: 'mil' is an angle to the units library, write 'thou' for 0.001 in"
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "mm",
        "7",
        "7 ",
        "seven mm",
        "7,5 mm",
        "7 mm 3",
        "7 mm*3",
        "7 mm + 1 mm",
        "(7) mm",
        "1_0 mm",
        "0x10 mm",
        "nan mm",
        "inf mm",
        "7 mm/",
        "7 mm^",
        "7 mm/0",
        "7 furlongz",
        "7 kg",
        "7 s",
        "7 degC",
        "7 dB",
        "7 mm^2",
        "0 kg",
        "7 __import__",
        "7 lambda",
        "1 km^400/m^399",
        "7 mm\x00",
        "7 " + "m" * 60,
        5,
        -1.5,
        math.nan,
        math.inf,
        True,
        False,
        None,
        b"7 mm",
        [],
        {},
    ],
)
def test_length_malformed_refused_with_example(text: object) -> None:
    """A text that is no length, and a bare number, are refused in one and the same sentence."""
    with pytest.raises(ValueError, match="must be a length") as caught:
        length(text)
    assert str(caught.value) == "must be a length with its unit, such as '178 mm'"


@pytest.mark.parametrize(
    ("convert", "text", "message"),
    [
        (length, "1e999 mm", "must be a finite length, such as '178 mm'"),
        (length, "1e308 km", "must be a finite length, such as '178 mm'"),
        (duration_ns, "1e305 s", "must be a finite duration, such as '50 ms'"),
        (time_of_flight, "3 mm", "must be a time with its unit, such as '0.42 us'"),
        (velocity, "3 mm", "must be a velocity with its unit, such as '5920 m/s'"),
        (duration_ns, "3 m/s", "must be a duration with its unit, such as '50 ms'"),
        (velocity, "3 mil/us", "must be a velocity: 'mil' is an angle to the units library"),
    ],
)
def test_convert_wrong_kind_or_size_says_what_is_required(
    convert: Callable[[object], float], text: str, message: str
) -> None:
    """Each kind of quantity asks for its own, with its own example."""
    with pytest.raises(ValueError, match="must be") as caught:
        convert(text)
    assert str(caught.value).startswith(message)


def test_other_kinds_convert_to_inner_units() -> None:
    """Times of flight come out in µs, velocities in mm/µs, durations in whole ns."""
    assert time_of_flight("420 ns") == 0.42
    assert velocity("5.92 km/s") == velocity("5920 m/s") == velocity("592000 cm/s") == 5.92
    assert duration_ns("50 ms") == 50_000_000
    assert duration_ns("0.1 us") == 100
    assert isinstance(duration_ns("1.4 ns"), int)
    assert duration_ns("1.4 ns") == 1


@pytest.mark.parametrize(
    ("text", "share"), [("95 %", 95.0), ("95%", 95.0), (" 99.5 % ", 99.5), (95, 95.0), (0.5, 0.5)]
)
def test_percent_with_sign_or_bare_number(text: object, share: float) -> None:
    """A bare number is percent; a text needs the sign."""
    assert percent(text) == share


@pytest.mark.parametrize(
    "text",
    ["95", "-5 %", "1.2.3 %", ". %", "1e2 %", "%", "9" * 400 + " %", True, None, math.nan, []],
)
def test_percent_malformed_refused(text: object) -> None:
    """What is no share is refused, and so is one that no float can hold."""
    with pytest.raises(ValueError, match=r"^must be a share such as '95 %'$"):
        percent(text)


@given(
    st.one_of(
        st.text(max_size=20),
        st.builds(
            "{} {}".format,
            st.integers(-99, 99),
            st.text(st.sampled_from("mkuins/*^ 0129%µ°e"), min_size=1, max_size=9),
        ),
    )
)
@settings(max_examples=100)
def test_convert_any_text_number_or_value_error(text: str) -> None:
    """Whatever is written, a finite number comes out or a ValueError that says what must be."""
    converts: tuple[Callable[[Any], float], ...] = (length, velocity, duration_ns, percent)
    for convert in converts:
        try:
            assert math.isfinite(convert(text))
        except ValueError as error:
            assert str(error).startswith("must be a ")  # noqa: PT017  the other way is allowed too


@given(st.floats(-1e12, 1e12, allow_nan=False))
def test_length_in_mm_is_the_number_itself(value: float) -> None:
    """A length in mm comes through to twelve digits."""
    assert length(f"{value!r} mm") == pytest.approx(value, rel=1e-11)


@pytest.mark.parametrize(("text", "expected"), [("2 dB", 2.0), ("-6dB", -6.0), (" .5 dB ", 0.5)])
def test_decibels(text: str, expected: float) -> None:
    """A level difference has its unit."""
    assert decibels(text) == expected


@pytest.mark.parametrize("text", ["2", 2, "2 db", "2 Np", "dB", "1e3 dB", None])
def test_no_decibels(text: object) -> None:
    """What is no level difference is refused with an example."""
    with pytest.raises(ValueError, match="must be a level difference such as '2 dB'"):
        decibels(text)
