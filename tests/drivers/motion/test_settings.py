"""Limits are checked before any byte is made."""

import math

import pytest

from drivers.motion.machine import GCODE, gcode
from swathe_drivers.errors import DriverUsageError, LimitError, SettingsError
from swathe_drivers.motion.gcode import GCodeSettings
from swathe_drivers.motion.registers import RegistersSettings
from swathe_drivers.motion.settings import MotionAxisSettings, check_axis_limits
from swathe_drivers.motion.text import TextSettings
from swathe_drivers.settings import read_settings

AXES = {
    "scan": MotionAxisSettings(min_mm=0, max_mm=100, speed_mm_per_s=50, acceleration_mm_per_s2=200),
    "index": MotionAxisSettings(min_mm=-5, max_mm=5, speed_mm_per_s=10),
}


@pytest.mark.parametrize(
    ("target", "speed", "acceleration", "expected"),
    [
        ({"scan": 100.001}, 10.0, None, ("scan", "position", 100.001, 100.0)),
        ({"scan": 5.0, "index": -5.5}, 10.0, None, ("index", "position", -5.5, -5.0)),
        ({"scan": math.nan}, 10.0, None, ("scan", "position", math.nan, 0.0)),
        ({"scan": 5.0}, 50.1, None, ("scan", "speed", 50.1, 50.0)),
        ({"scan": 5.0}, 0.0, None, ("scan", "speed", 0.0, 50.0)),
        ({"scan": 5.0}, math.nan, None, ("scan", "speed", math.nan, 50.0)),
        ({"scan": 5.0, "index": 0.0}, 20.0, None, ("index", "speed", 20.0, 10.0)),
        ({"scan": 5.0}, 10.0, 201.0, ("scan", "acceleration", 201.0, 200.0)),
    ],
)
def test_check_move_over_a_limit_names_axis_value_and_limit(
    target: dict[str, float],
    speed: float,
    acceleration: float | None,
    expected: tuple[str, str, float, float],
) -> None:
    """Whatever passes a limit is refused, numbers that are none too."""
    with pytest.raises(LimitError) as caught:
        check_axis_limits(AXES, target, speed=speed, acceleration=acceleration)
    error = caught.value
    found = (error.axis, error.quantity, error.value, error.limit)
    assert found == pytest.approx(expected, nan_ok=True)


def test_check_move_message_says_what_to_do() -> None:
    """The text names all that the attributes hold."""
    with pytest.raises(LimitError) as caught:
        check_axis_limits(AXES, {"scan": 120.0}, speed=10.0)
    assert str(caught.value) == (
        "position of axis 'scan' must stay within the limit of 100 mm (got 120 mm);"
        " correct the move or the settings"
    )


def test_check_move_on_the_limits_is_allowed() -> None:
    """Limits belong to what is allowed; an axis left out does not slow the others."""
    check_axis_limits(AXES, {"scan": 100.0}, speed=50.0, acceleration=200.0)
    check_axis_limits(AXES, {"scan": 0.0, "index": 5.0}, speed=10.0)


def test_check_move_unknown_or_no_axis_is_misuse() -> None:
    """A misspelt axis is answered with those there are."""
    with pytest.raises(DriverUsageError, match="axes of scan, index \\(got scn\\)"):
        check_axis_limits(AXES, {"scn": 1.0}, speed=1.0)
    with pytest.raises(DriverUsageError, match="got none"):
        check_axis_limits(AXES, {}, speed=1.0)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"stop": ""}, "'stop' must have at least 1 character(s) (got '')"),
        ({"answers": {"acknowledged": "("}}, "'answers.acknowledged' must be a regular expression"),
        ({"home": "G28 {axis}"}, "'home' must hold only known values in braces: word"),
        ({"colour": 1}, "'colour' must be left out: there is no such setting (got 1)"),
        ({"stop": "\u2713"}, "'stop' must consist of characters up to U+00FF"),
    ],
)
def test_gcode_settings_wrong_key_is_named(change: dict[str, object], expected: str) -> None:
    """Each mistake is told in the one shape of messages."""
    with pytest.raises(SettingsError) as caught:
        read_settings(GCodeSettings, {**GCODE, **change}, key="")
    assert expected in str(caught.value)


def test_axis_settings_travel_and_scale_are_checked() -> None:
    """An axis without travel, or one that goes nowhere, is refused."""
    axis = GCODE["axes"]["scan"]
    for change, expected in (
        ({"max_mm": -50}, "must have min_mm < max_mm"),
        ({"scale": 0}, "must not be 0"),
    ):
        axes = {"scan": {**axis, **change}}
        with pytest.raises(SettingsError) as caught:
            read_settings(GCodeSettings, {**GCODE, "axes": axes}, key="")
        assert expected in str(caught.value)


def test_gcode_settings_same_word_twice_is_refused() -> None:
    """Two axes can't share a word."""
    axes = {"scan": GCODE["axes"]["scan"], "index": {**GCODE["axes"]["index"], "word": "X"}}
    with pytest.raises(SettingsError, match="different words"):
        read_settings(GCodeSettings, {**GCODE, "axes": axes}, key="")


def test_text_settings_templates_hold_known_values_only() -> None:
    """A template with an attribute, an unknown name or no move at all is refused."""
    axis = {"min_mm": 0, "max_mm": 10, "speed_mm_per_s": 5}
    for values, expected in (
        ({"move": "GO {scan.real}"}, "'move' must hold only known values in braces"),
        ({"move": "GO {place}"}, "'move' must hold only known values in braces"),
        ({"move": "GO {scan:q}"}, "'move' must be a valid template"),
        ({}, "'axes' must have a 'move' each"),
        (
            {"move": "GO {scan}", "axes": {"scan": {**axis, "move": "GO"}}},
            "'axes.scan.move' must hold {scan}",
        ),
    ):
        with pytest.raises(SettingsError) as caught:
            read_settings(TextSettings, {"stop": "S", "axes": {"scan": axis}, **values}, key="")
        assert expected in str(caught.value)


def test_registers_settings_numbers_must_fit_their_registers() -> None:
    """What could overflow a register is found before anything moves."""
    values = {
        "axes": {
            "scan": {
                "min_mm": -400,
                "max_mm": 100,
                "speed_mm_per_s": 700,
                "scale": 100,
                "target": 1,
                "type": "int16",
            }
        },
        "speed": {"register": 9, "scale": 100},
        "command": {"register": 10, "move": 1, "stop": 2},
    }
    with pytest.raises(SettingsError) as caught:
        read_settings(RegistersSettings, values, key="")
    assert str(caught.value).splitlines() == [
        "'axes.scan.min_mm' must fit into int16 with scale and offset (got -400.0)",
        "'axes.scan.speed_mm_per_s' must fit into the speed register's uint16 (got 700.0)",
    ]


def test_gcode_move_over_a_limit_makes_no_byte() -> None:
    """The codec asks the limits first."""
    codec = gcode().codec(ns_per_byte=0)
    with pytest.raises(LimitError):
        codec.move({"scan": 1000.5}, speed=10)
    assert codec.busy == 0
