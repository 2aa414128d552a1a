"""G-code and text codecs: bytes of commands, and answers cut anywhere."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.motion.machine import GCODE, gcode
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.motion import EventKind, MotionCodec, MotionDriver, MotionEvent
from swathe_drivers.motion.text import TextDriver, TextSettings
from swathe_drivers.records import FaultReason

TEXT = TextSettings.model_validate(
    {
        "axes": {
            "scan": {
                "min_mm": 0,
                "max_mm": 500,
                "speed_mm_per_s": 100,
                "move": "SCAN {scan:.1f} {speed:.1f}",
                "home": "REF S",
            },
            "index": {"min_mm": 0, "max_mm": 90, "speed_mm_per_s": 20, "offset": 1.5},
        },
        "move": "MOVE {scan:.2f} {index:.2f} {speed:.1f}",
        "terminator": "\r\n",
        "query": "WHERE",
        "stop": "HALT\r\n",
        "stop_acknowledged": True,
        "answers": {
            "acknowledged": "DONE",
            "refused": "NO .*",
            "alarm": "TRIP .*",
            "position": r"AT (?P<scan>\S+) (?P<index>\S+)",
            "homed": "REF (?:(?P<scan>S)|(?P<index>I))",
            "ignored": "HELLO.*",
        },
    }
)


def sent(codec: MotionCodec, *targets: dict[str, float]) -> list[int]:
    """Make moves and count all their frames as sent."""
    return [
        codec.sent(frame) for target in targets for frame in codec.move(target, speed=10).frames
    ]


def test_drivers_offer_what_the_protocols_ask_for() -> None:
    """Both are motion drivers, their codecs motion codecs."""
    for driver in (gcode(), TextDriver(TEXT)):
        assert isinstance(driver, MotionDriver)
        assert isinstance(driver.codec(ns_per_byte=0), MotionCodec)


def test_gcode_move_words_and_feed_per_minute() -> None:
    """Axis words in the order asked for, feed in mm/min, no negative zero."""
    codec = gcode().codec(ns_per_byte=0)
    (frame,) = codec.move({"scan": 12.3456, "index": -0.0001}, speed=25).frames
    assert frame.data == b"G1 X12.346 Y0.000 F1500.000\n"
    assert frame.awaits
    command = codec.move({"scan": 12.0}, speed=25)
    assert command.text == "move to scan 12.000 mm at 25 mm/s"


def test_gcode_axis_around_in_degrees() -> None:
    """On a pipe of 2200 mm, a quarter of the circumference is 90 degrees; the feed follows."""
    around = math.pi * 2200
    axes = {
        "scan": GCODE["axes"]["scan"],
        "index": {
            "word": "A",
            "min_mm": 0,
            "max_mm": around,
            "speed_mm_per_s": 50,
            "scale": 360 / around,
        },
    }
    codec = gcode(axes=axes).codec(ns_per_byte=0)
    (frame,) = codec.move({"index": around / 4}, speed=around / 360).frames
    assert frame.data == b"G1 A90.000 F60.000\n"
    with pytest.raises(DriverUsageError, match="one after the other"):
        codec.move({"scan": 1.0, "index": 1.0}, speed=1.0)
    (event,) = codec.feed(b"X:5 A:180.0\n", 7)
    assert event.position == pytest.approx({"scan": 5.0, "index": around / 2})


def test_gcode_home_arm_query_stop_come_from_the_settings() -> None:
    """Nothing is wired in that differs from machine to machine."""
    codec = gcode(query="?", query_is_line=False, acceleration="M204 P{acceleration:.0f}").codec(
        ns_per_byte=0
    )
    assert [f.data for f in codec.arm().frames] == [b"G21\n", b"G90\n", b"M17\n"]
    assert [f.data for f in codec.disarm().frames] == [b"M18\n"]
    (home,) = codec.home("index").frames
    assert (home.data, home.timeout_s) == (b"G28 Y0\n", 60.0)
    query = codec.query_position()
    assert query is not None
    assert [(f.data, f.awaits) for f in query.frames] == [(b"?", False)]
    assert codec.stop().data == b"!"
    assert codec.stop(half_sent=True).data == b"(\n!"
    move = codec.move({"scan": 1.0}, speed=1.0, acceleration=300.0)
    assert [f.data for f in move.frames] == [b"M204 P300\n", b"G1 X1.000 F60.000\n"]
    with pytest.raises(DriverUsageError, match="those that can: scan, index"):
        codec.home("depth")


def test_gcode_command_longer_than_the_machine_takes_is_refused() -> None:
    """The limit of the line's length is kept."""
    codec = gcode(max_length=16).codec(ns_per_byte=0)
    with pytest.raises(DriverUsageError, match="has 19 bytes, the machine takes 16"):
        codec.move({"scan": 999.0}, speed=1.25)


def test_gcode_acknowledgements_are_counted_in_order() -> None:
    """Each frees the oldest command; one too many is a fault with its offset."""
    codec = gcode(in_flight=4).codec(ns_per_byte=0)
    assert sent(codec, {"scan": 1.0}, {"scan": 2.0}) == [0, 1]
    assert codec.busy == 2
    first, second, third = codec.feed(b"ok\nok T:1\r\nok\n", 5)
    assert (first.kind, first.number) == (EventKind.ACKNOWLEDGED, 0)
    assert (second.kind, second.number) == (EventKind.ACKNOWLEDGED, 1)
    assert third.fault is not None
    assert (third.fault.offset, third.fault.reason) == (11, FaultReason.UNKNOWN_LINE)
    assert codec.busy == 0
    assert codec.n_faults == {FaultReason.UNKNOWN_LINE: 1}


def test_gcode_late_acknowledgement_is_no_fault() -> None:
    """The answer to a command that was given up still has its number."""
    codec = gcode().codec(ns_per_byte=0)
    sent(codec, {"scan": 1.0})
    codec.forget()
    assert codec.busy == 0
    (event,) = codec.feed(b"ok\n", 1)
    assert (event.kind, event.number) == (EventKind.ACKNOWLEDGED, 0)


def test_gcode_numbered_lines_match_their_own_acknowledgement() -> None:
    """With line numbers, a lost acknowledgement shifts nothing."""
    answers = {"acknowledged": r"ok N(?P<number>\d+)"}
    codec = gcode(line_numbers=True, in_flight=3, answers=answers).codec(ns_per_byte=0)
    frames = [codec.move({"scan": float(n)}, speed=1).frames[0] for n in range(3)]
    assert [f.data[:3] for f in frames] == [b"N1 ", b"N2 ", b"N3 "]
    numbers = [codec.sent(frame) for frame in frames]
    events = codec.feed(b"ok N3\nok N1\n", 1)
    assert [event.number for event in events] == [numbers[2], numbers[0]]
    assert codec.busy == 1


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"error:20 bad word", EventKind.REFUSED),
        (b"ALARM:1", EventKind.ALARM),
        (b"busy: homing", EventKind.BUSY),
        (b"homed", EventKind.HOMED),
        (b"<Idle>", EventKind.IDLE),
        (b"state moving", EventKind.MOVING),
        (b"\xff\xfe\x00", EventKind.FAULT),
        (b"xok", EventKind.FAULT),
    ],
)
def test_gcode_default_patterns(line: bytes, expected: EventKind) -> None:
    """The defaults know common answers; a whole line must fit."""
    (event,) = gcode().codec(ns_per_byte=0).feed(line + b"\n", 3)
    assert event.kind is expected
    assert event.time == 3


def test_gcode_position_with_state_and_acknowledgement_in_one_line() -> None:
    """One line may tell several things; the acknowledgement is told last."""
    codec = gcode().codec(ns_per_byte=0)
    sent(codec, {"scan": 1.0})
    events = codec.feed(b"ok X:1.50 Y:-2 idle\n", 3)
    assert [e.kind for e in events] == [EventKind.POSITION, EventKind.IDLE, EventKind.ACKNOWLEDGED]
    assert events[0].position == {"scan": 1.5, "index": -2.0}


def test_gcode_position_that_overflows_is_a_fault() -> None:
    """A number that no float holds changes no position."""
    codec = gcode(answers={"position": r"at (?P<scan>\S+)"}).codec(ns_per_byte=0)
    infinite, wordy = codec.feed(b"at 1e999\nat 1.2.3\n", 0)
    assert infinite.fault is not None
    assert infinite.fault.reason is FaultReason.NOT_FINITE
    assert wordy.fault is not None
    assert wordy.fault.reason is FaultReason.NUMBER


def test_text_moves_by_template_and_answers() -> None:
    """One axis by its own template, both by the common one, with the offset of the index."""
    codec = TextDriver(TEXT).codec(ns_per_byte=0)
    assert [f.data for f in codec.move({"scan": 3}, speed=20).frames] == [b"SCAN 3.0 20.0\r\n"]
    both = codec.move({"index": 2, "scan": 3}, speed=20)
    assert [f.data for f in both.frames] == [b"MOVE 3.00 3.50 20.0\r\n"]
    with pytest.raises(
        DriverUsageError, match="alone: scan; together, with one scale: index, scan"
    ):
        codec.move({"index": 2}, speed=20)
    with pytest.raises(DriverUsageError, match="can't be homed; those that can: scan"):
        codec.home("index")
    assert codec.stop().awaits
    assert codec.stop(half_sent=True).data == b"?!\r\nHALT\r\n"
    events = codec.feed(b"HELLO 1\r\nAT 3.25 4\r\nREF S\r\nTRIP 4\r\n", 0)
    assert [event.kind for event in events if event.kind is not EventKind.FAULT] == [
        EventKind.POSITION,
        EventKind.HOMED,
        EventKind.ALARM,
    ]
    told = [event for event in events if event.kind is EventKind.POSITION]
    assert told[0].position == {"scan": 3.25, "index": 2.5}
    assert [event.axis for event in events if event.kind is EventKind.HOMED] == ["scan"]


STREAM = (
    b"ok\nX:1.0 Y:2.0 moving\n\xff\xfe junk\nerror: no\nalarm: limit\n"
    + b"z" * 400
    + b"\nok\nidle\n"
)


def fed(pieces: list[bytes]) -> list[MotionEvent]:
    """Feed a codec that waits for two answers."""
    codec = gcode(in_flight=2).codec(ns_per_byte=0)
    sent(codec, {"scan": 1.0}, {"scan": 2.0})
    return [event for piece in pieces for event in codec.feed(piece, 9)]


def test_feed_cut_anywhere_tells_the_same() -> None:
    """Whole, byte by byte and cut at random, with garbage and a line that is too long."""
    whole = fed([STREAM])
    reasons = [event.fault.reason for event in whole if event.fault is not None]
    assert sorted(reasons) == ["too_long", "unknown_line", "unknown_line"]

    def key(event: MotionEvent) -> tuple[object, ...]:
        offset = event.fault.offset if event.fault is not None else -1
        return (str(event.kind), event.number, event.text, offset)

    source = random.Random(4)
    for _ in range(20):
        cuts = sorted(source.randrange(len(STREAM)) for _ in range(8))
        pieces = [STREAM[a:b] for a, b in zip([0, *cuts], [*cuts, None], strict=True)]
        assert sorted(map(key, fed(pieces)), key=str) == sorted(map(key, whole), key=str)
    bytewise = fed([STREAM[n : n + 1] for n in range(len(STREAM))])
    assert sorted(map(key, bytewise), key=str) == sorted(map(key, whole), key=str)


@given(st.lists(st.binary(max_size=300), max_size=8))
def test_feed_any_bytes_raise_nothing_and_resynchronise(pieces: list[bytes]) -> None:
    """Whatever came before, the next whole line is understood."""
    codec = gcode().codec(ns_per_byte=0)
    for piece in pieces:
        codec.feed(piece, 0)
    codec.feed(b"\n", 0)
    sent(codec, {"scan": 1.0})
    events = codec.feed(b"ok\n", 0)
    assert [event.kind for event in events] == [EventKind.ACKNOWLEDGED]


def test_reset_reports_the_begun_line_once() -> None:
    """A port that was lost in the middle of a line leaves a fault with its offset."""
    codec = gcode().codec(ns_per_byte=0)
    sent(codec, {"scan": 1.0})
    codec.feed(b"ok\nerr", 0)
    (event,) = codec.reset(6)
    assert event.fault is not None
    assert (event.fault.offset, event.fault.reason) == (3, FaultReason.PARTIAL)
    assert codec.reset(6) == []
    (after,) = codec.feed(b"?\n", 0)
    assert after.fault is not None
    assert after.fault.offset == 6
