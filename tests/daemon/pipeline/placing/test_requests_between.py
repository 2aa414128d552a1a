"""A record of a polled device holds no bytes from before and behind a request."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence
from functools import partial, reduce
from operator import xor
from typing import Final

import pytest

from daemon.pipeline.placing.test_polled import COUNTS, MODBUS, MS, Polled, asking, tcp, text
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.pieces import Piece
from swathe_drivers.rtu import with_crc

FRAMES: Final = """driver = "frames"
[device.gauge.protocol]
framing = {framing}
checksum = {{ kind = "xor8" }}
byte_order = "big"
fields = [{{ is = "thickness", type = "u2", unit = "um" }}, {{ is = "skip" }}]
[device.gauge.talk]
start = ["ON"]
poll = [{{ send = "M?", every = "20 ms" }}]
{talk}
"""
FIXED: Final = '{ kind = "fixed", length = 4 }'
SLIP: Final = '{ kind = "slip" }'
GAP: Final = '{ kind = "idle_gap", gap = "5 ms" }'

Step = tuple[str, int, bytes]
"""What happens, when in ms, and bytes."""


def frames(framing: str = FIXED, talk: str = "") -> Polled:
    """A gauge that answers with three bytes and their xor."""
    return Polled(FRAMES.format(framing=framing, talk=talk))


def frame(thickness: int, last: int = 0) -> bytes:
    """The answer of that gauge: a thickness, µm, and a byte that means nothing."""
    data = struct.pack(">HB", thickness, last)
    return data + bytes([reduce(xor, data)])


# The last byte of a damaged answer and three bytes of the next one have the right xor.
REST: Final = b"\x21"
ANSWER: Final = frame(0x1234, 0x21 ^ 0x12 ^ 0x34)


def asked(*answers: bytes, request: bytes = b"M?") -> list[Step]:
    """A request every 40 ms, each followed by what came; b"" for nothing, which is given up."""
    script: list[Step] = []
    for number, answer in enumerate(answers):
        at = 100 + 40 * number
        script.append(("sent", at, request))
        script.append(("came", at + 10, answer) if answer else ("gave_up", at + 30, b""))
    return [*script, ("ended", 140 + 40 * len(answers), b"")]


def play(make: Callable[[], Polled], script: Sequence[Step], size: int = 1) -> Polled:
    """Return a gauge to which that happened, decoded after each `size` steps."""
    made = make()
    for number, (what, at, data) in enumerate(script, 1):
        made.one_by_one = number % size == 0
        if what in ("sent", "came"):
            getattr(made, what)(at, data)
        else:
            getattr(made, what)(at)
    made.all_at_once()
    return made


def played(make: Callable[[], Polled], script: Sequence[Step]) -> Polled:
    """Return a gauge to which that happened, however the steps are cut into batches."""
    made = play(make, script)
    faulty = made.link.take_faulty()
    for size in (3, len(script) + 1):
        again = play(make, script, size)
        assert (again.thickness, again.times, again.known) == (
            made.thickness,
            made.times,
            made.known,
        )
        assert again.link.tally == made.link.tally
        assert again.link.take_faulty() == faulty
    made.link._faulty[:] = faulty
    return made


def test_rest_of_an_answer_and_the_next_one_make_no_frame() -> None:
    """The rest is a fault as the request is sent; the answer behind it is read."""
    made = played(frames, asked(frame(5000), REST, ANSWER, frame(7000)))
    assert made.thickness == [5.0, 4.66, 7.0]
    assert made.faults == [(4, "partial")]
    assert made.details == ["a request was sent before the end of the frame"]
    assert made.link.take_faulty() == [180 * MS]
    made = played(frames, asked(frame(6000)[:3], *(frame(1000 * at) for at in range(5, 9))))
    assert (made.thickness, made.faults) == ([5.0, 6.0, 7.0, 8.0], [(0, "partial")])


def test_rest_that_is_given_up_is_a_fault_at_the_next_request() -> None:
    """Nothing shows before that no more of it comes."""
    script = asked(frame(5000), REST, ANSWER)
    script.insert(4, ("gave_up", 170, b""))
    made = played(frames, script)
    assert (made.thickness, made.faults) == ([5.0, 4.66], [(4, "partial")])
    assert made.link.take_faulty() == [180 * MS]


@pytest.mark.parametrize("talk", ['taken_at = "answer"', "echo = true"])
def test_rest_is_cut_off_whatever_else_the_device_does(talk: str) -> None:
    """By its arrival, and behind an echo."""
    answers = [frame(5000), REST, ANSWER, frame(7000)]
    if talk == "echo = true":
        answers = [b"M?" + answer for answer in answers]
    made = played(partial(frames, talk=talk), asked(*answers))
    assert made.thickness == [5.0, 4.66, 7.0]
    assert [reason for _, reason in made.faults] == ["partial"]


def test_echo_that_breaks_off_is_a_fault_as_the_next_request_is_sent() -> None:
    """It is no part of the next echo, either."""
    made = played(partial(frames, talk="echo = true"), asked(b"M", b"M?" + ANSWER))
    assert (made.thickness, made.faults) == ([4.66], [(0, "partial")])
    assert made.details == ["a request was sent before the end of the echo"]


def test_device_that_also_sends_by_itself_is_not_cut() -> None:
    """Its frames come when they come."""
    made = played(
        partial(frames, talk="unasked = true"),
        asked(ANSWER[:1], ANSWER[1:], ANSWER[:2], ANSWER[2:]),
    )
    assert (made.thickness, made.faults) == ([4.66, 4.66], [])


def test_keep_alive_cuts_nothing() -> None:
    """It is no request: the answer may still come."""
    script = asked(ANSWER)
    script[1:2] = [("came", 110, ANSWER[:2]), ("sent", 112, b"ON"), ("came", 114, ANSWER[2:])]
    made = played(frames, script)
    assert made.thickness == []  # a command ends the wait for an answer
    assert made.faults == [(0, "foreign")]


def test_line_in_which_a_request_was_sent_is_none() -> None:
    """Nobody knows whether what follows is its rest: not 112.41, and not 2.41, either."""
    made = played(text, asked(b"12.41\r\n", b"1", b"12.42\r\n", b"12.43\r\n"))
    assert made.thickness == [12.41, 12.43]
    assert made.faults == [(7, "partial"), (8, "partial")]
    assert made.link.take_faulty() == [180 * MS, 220 * MS]
    made = played(text, asked(b"12.41\r\n", b"1", b"2.42\r\n12.43\r\n", b"12.44\r\n"))
    assert made.thickness == [12.41, 12.43, 12.44]
    assert made.faults == [(7, "partial"), (8, "partial")]


def test_end_of_line_that_comes_late_costs_no_answer() -> None:
    """What is between the request and it is no line."""
    made = played(text, asked(b"12.41\r\n", b"12.4", b"\r\n12.43\r\n", b"12.44\r\n"))
    assert (made.thickness, made.faults) == ([12.41, 12.43, 12.44], [(7, "partial")])
    assert made.link.tally.undecoded == 6


def test_line_of_several_requests_is_cut_at_each() -> None:
    """Until an end of line comes nothing is one."""
    made = played(text, asked(b"1", b"2", b"3", b"4.0\r\n", b"12.44\r\n"))
    assert made.thickness == [12.44]
    assert [offset for offset, _ in made.faults] == [0, 1, 2, 3]
    assert {reason for _, reason in made.faults} == {"partial"}


def test_prompts_and_blanks_are_left_over_without_harm() -> None:
    """The next line begins with them."""
    made = played(partial(text, end="\\r"), asked(b"5.0\r ", b"6.0\r\t", b"7.0\r"))
    assert (made.thickness, made.faults) == ([5.0, 6.0, 7.0], [])
    gauge = """[device.gauge.protocol]
columns = [{ is = "thickness", unit = "mm" }]
prompt = "OK> "
[device.gauge.talk]
poll = [{ send = "M?", every = "20 ms" }]
"""
    answers = b"OK> ", b"5.0\r\nOK> ", b"6.0\r\nOK", b"> 7.0\r\nOK> OK> ", b"8.0\r\nOK> "
    made = played(partial(Polled, gauge), asked(*answers))
    assert (made.thickness, made.faults) == ([5.0, 6.0, 7.0, 8.0], [])
    made = played(partial(Polled, gauge), asked(b"5.0\r\nOK> 6", b"OK> \r\n7.0\r\nOK> "))
    assert (made.thickness, made.faults) == ([5.0, 7.0], [(5, "partial")])


def test_slip_frame_in_which_a_request_was_sent_is_none() -> None:
    """Of a device that sends END behind a frame only, and of one that also sends it before."""
    end = b"\xc0"
    answers = end + frame(5000) + end, REST, ANSWER + end, frame(7000) + end
    made = played(partial(frames, SLIP), asked(*answers))
    assert made.thickness == [5.0, 7.0]
    assert made.faults == [(6, "partial"), (7, "frame")]
    both = [end + part + end for part in (frame(5000), frame(6000), ANSWER)]
    made = played(partial(frames, SLIP), asked(both[0], both[1][:2], both[2]))
    assert (made.thickness, [why for _, why in made.faults]) == ([5.0, 4.66], ["partial"])


def test_request_ends_a_frame_as_a_silence_does() -> None:
    """Where frames have no other end; with bytes that come as one the silence between gets lost."""
    made = played(partial(frames, GAP), asked(frame(5000), REST, ANSWER, frame(7000), frame(8000)))
    assert made.thickness == [5.0, 4.66, 7.0]
    assert [offset for offset, _ in made.faults] == [4]
    script = asked(frame(5000)[:2], frame(5000)[2:], frame(6000), frame(7000))
    script[1] = ("came", 139, frame(5000)[:2])
    script[3] = ("came", 141, frame(5000)[2:])
    made = played(partial(frames, GAP), script)
    assert made.thickness == [6.0]
    long = GAP.replace("5 ms", "60 ms")  # longer than from one answer to the next
    script = asked(*(frame(5000 + number) for number in range(5)))
    script += [("sent", 900, b"M?"), ("came", 910, frame(9000)), ("ended", 999, b"")]
    assert played(partial(frames, long), script).known == [180, 220, 260, 340, 999]


def test_modbus_answer_begins_behind_its_request() -> None:
    """On a serial line; over TCP the late answer to the request before is known by its number."""
    rtu = partial(Polled, MODBUS.format(framing="rtu", more=""))
    whole = with_crc(b"\x01\x03\x08" + struct.pack(">d", 5.0))
    read = with_crc(bytes.fromhex("01 03 0000 0004"))
    made = played(rtu, asked(whole, whole[:7], whole, whole, request=read))
    assert (made.thickness, made.faults) == ([5.0, 5.0, 5.0], [(13, "partial")])
    made = played(rtu, asked(whole[:6], whole[6:], whole, request=read))
    assert made.thickness == [5.0]
    late = b"\x00\x01\x00\x00\x00\x0b\x01\x03\x08" + struct.pack(">d", 5.0)
    right = b"\x00\x02\x00\x00\x00\x0b\x01\x03\x08" + struct.pack(">d", 6.0)
    script = [
        ("sent", 100, asking(1)),
        ("came", 120, late[:5]),
        ("gave_up", 200, b""),
        ("sent", 201, asking(2)),
        ("came", 202, late[5:]),
        ("came", 210, right),
        ("ended", 300, b""),
    ]
    made = played(tcp, script)
    assert (made.thickness, made.faults) == ([6.0], [(0, "late")])


def test_damaged_answer_costs_no_answer_to_another_request() -> None:
    """Where several are sent in turn."""
    make = partial(Polled, MODBUS.format(framing="rtu", more=COUNTS))
    thickness = with_crc(b"\x01\x03\x08" + struct.pack(">d", 5.0))
    counts = with_crc(b"\x01\x03\x04" + struct.pack(">i", 77))
    reads = with_crc(bytes.fromhex("01 03 0000 0004")), with_crc(bytes.fromhex("01 03 0009 0002"))
    script: list[Step] = []
    for number, answer in enumerate((thickness, counts, thickness[:5], counts, thickness, counts)):
        script += [
            ("sent", 100 + 40 * number, reads[number % 2]),
            ("came", 110 + 40 * number, answer),
        ]
    made = played(make, [*script, ("ended", 400, b"")])
    assert made.thickness == [5.0, 5.0]
    assert sum(batch.positions.size for batch in made.batches) == 3
    assert [reason for _, reason in made.faults] == ["partial"]


@pytest.mark.parametrize("framing", [FIXED, SLIP, GAP, "lines"])
def test_no_record_has_bytes_from_both_sides_of_a_request(framing: str) -> None:
    """Whatever is dropped, doubled or changed: each reading is one that was sent, or damaged within."""
    rng = random.Random(framing)
    for _ in range(2):
        script: list[Step] = []
        offsets = [0]
        for number in range(60):
            sent = frame(5000 + number, rng.randrange(256))
            if framing == "lines":
                sent = b"%d.%03d\r\n" % divmod(5000 + number, 1000)
            elif framing == SLIP:
                sent = sent.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"
            data = bytearray(sent)
            if rng.random() < 0.4:
                at = rng.randrange(len(data))
                data[at : at + 1] = rng.choice(
                    [b"", data[at : at + 1] * 2, bytes([rng.randrange(256)])]
                )
            offsets.append(offsets[-1] + len(data))
            script += asked(bytes(data))[:-1]
            script[-2] = ("sent", 100 + 40 * number, b"M?")
            script[-1] = ("came", 110 + 40 * number, bytes(data))
        make = text if framing == "lines" else partial(frames, framing)
        made = played(make, [*script, ("ended", 3000, b"")])
        assert len(made.thickness) > 20
        for batch in made.batches:
            for record in batch.readings:
                assert not any(
                    record["offset"] < offset <= record["offset"] + record["size"] - 1
                    for offset in offsets
                )


@pytest.mark.parametrize("what", [FIXED, "lines"])
def test_many_requests_in_one_batch_cost_no_decoding_of_their_own(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As long as nothing is left over; else what is decoded in one go is that from request to request."""
    fed: list[int] = []
    feed = DeviceLink._feed_between

    def count(link: DeviceLink, known: list[int], piece: Piece) -> list[int]:
        fed.append(len(piece.parts))
        return feed(link, known, piece)

    monkeypatch.setattr(DeviceLink, "_feed_between", count)
    make = text if what == "lines" else frames
    good = [b"5.000\r\n" if what == "lines" else ANSWER] * 50
    assert len(play(make, asked(*good), 200).thickness) == 50
    assert fed == []
    # The last byte of one and the first ones of the next are together as long as one.
    good[20:22] = (b"5.0\r\n", b"005.000\r\n") if what == "lines" else (ANSWER[:1], ANSWER[1:])
    assert len(play(make, asked(*good), 200).thickness) == (50 if what == "lines" else 48)
    good[20:22] = (b"5.0", b"00\r\n") if what == "lines" else (ANSWER[:2], ANSWER[2:])
    fed.clear()
    assert len(play(make, asked(*good), 200).thickness) == 48
    assert fed == [50]
