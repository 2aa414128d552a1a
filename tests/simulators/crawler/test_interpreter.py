"""The crawler's own reading of G-code."""

from __future__ import annotations

import pytest

from simulators.crawler.driver import motion
from swathe_simulators.crawler.gcode import GcodeError, read_gcode
from swathe_simulators.crawler.interpreter import GcodeAction, GcodeCommand, Interpreter
from swathe_simulators.crawler_models import CommandedModel


def asked(*lines: str, **changes: object) -> GcodeCommand:
    """What the last of some lines asks for, at scan 10, index 2."""
    interpreter = Interpreter(CommandedModel.model_validate(motion(**changes)))
    requests = [interpreter.read(read_gcode(line.encode()), scan=10.0, index=2.0) for line in lines]
    return requests[-1]


def test_read_block_words_spaces_comments_and_number() -> None:
    """Spaces mean nothing, comments are left out, small letters are letters."""
    block = read_gcode(b"n12 g1 x-1.5(to the edge) Y .5 f600 ; go\r")
    assert (block.number, block.g, block.m) == (12, (10,), ())
    assert block.values == {"X": -1.5, "Y": 0.5, "F": 600.0}
    assert read_gcode(b"").values == {}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"G1 X10(", "unclosed comment"),
        (b"G1 X1?!", "no word at '\\?!'"),
        (b"G1 X", "no word at 'X'"),
        (b"G1 X1 X2", "two X words"),
        (b"\xff\xfe", "no word at"),
        (b"G1 X1" + b" " * 200, "line too long"),
    ],
)
def test_read_block_that_is_none_says_why(line: bytes, reason: str) -> None:
    """A line half sent, garbage or a word given twice is an error, never a move."""
    with pytest.raises(GcodeError, match=reason):
        read_gcode(line)


def test_moves_by_the_modes_in_force() -> None:
    """G0 has no feed, G1 has one per minute; a line of words alone goes on in the same way."""
    assert asked("G0 X20") == GcodeCommand(GcodeAction.MOVE, scan=20.0)
    assert asked("G1 X20 Y4 F600") == GcodeCommand(
        GcodeAction.MOVE, scan=20.0, index=4.0, speed=10.0
    )
    assert asked("G1 X20 F600", "Y5") == GcodeCommand(GcodeAction.MOVE, index=5.0, speed=10.0)
    assert asked("G91", "G1 X5 F60") == GcodeCommand(GcodeAction.MOVE, scan=15.0, speed=1.0)
    inch = asked("G20", "G1 X1 F60")
    assert inch.scan == pytest.approx(25.4)
    assert inch.speed == pytest.approx(25.4)
    assert asked("G20", "G21", "G1 X1 F60").scan == 1.0
    assert asked("G1 X1 F60", units="inch").scan == pytest.approx(25.4)
    assert asked("G21", "G1 X1 F60", units="inch").scan == 1.0


def test_degrees_around() -> None:
    """An A word is in degrees, its feed alone in degrees per minute, in inches too."""
    request = asked("G20", "G1 A90 F60", index_word="A", index_units_per_mm=0.5)
    assert request.index == pytest.approx(180.0)
    assert request.speed == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("line", "request_"),
    [
        ("M17", GcodeCommand(GcodeAction.ENABLE)),
        ("M18", GcodeCommand(GcodeAction.DISABLE)),
        ("M114", GcodeCommand(GcodeAction.REPORT)),
        ("G4 P1.5", GcodeCommand(GcodeAction.DWELL, seconds=1.5)),
        ("G28 X0", GcodeCommand(GcodeAction.HOME, axes=("scan",))),
        ("G28", GcodeCommand(GcodeAction.HOME, axes=("scan", "index"))),
        ("F100", GcodeCommand(GcodeAction.NOTHING)),
    ],
)
def test_other_requests(line: str, request_: GcodeCommand) -> None:
    """Drives, dwell, homing and reports."""
    assert asked(line) == request_


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("G2 X1", "unknown G2"),
        ("M3", "unknown M3"),
        ("G0 G1 X1", "two G words of one group"),
        ("G1 X1", "G1 needs a feed F"),
        ("G1 X1 F0", "feed must be > 0"),
        ("G1 Z1 F60", "unknown word Z"),
        ("G4", "G4 needs P >= 0"),
    ],
)
def test_what_it_does_not_know_is_an_error(line: str, reason: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(GcodeError, match=reason):
        asked(line)
