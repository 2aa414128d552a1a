"""Devices that echo their requests, and polls whose answers nothing but their order shows."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from drivers.doubles import PtyPort, wait_until
from swathe_drivers import ToldDecoder, make_schedule, parse_description
from swathe_drivers.description import Description, DescriptionError
from swathe_drivers.made import make_driver
from swathe_drivers.port import PortReader
from swathe_drivers.talk.answers import EndsWith, SoMany
from swathe_drivers.talk.echo import EchoDecoder, EchoFinder
from swathe_drivers.testing.feeding import assert_same_stream, random_pieces, total
from swathe_drivers.transport import PortSettings

TEXT = """
[talk]
echo = true
timeout = "30 s"
poll = [{ send = "POS?\\r\\n", every = "4 ms" }, { send = "THK?\\r\\n", every = "4 ms" }]
[protocol]
[[protocol.record]]
answers = "POS?\\r\\n"
columns = [{ is = "position", axis = "scan", unit = "mm" }]
[[protocol.record]]
answers = "THK?\\r\\n"
columns = [{ is = "thickness", unit = "mm" }]
"""


def _described(text: str = TEXT) -> Description:
    return parse_description(text, "polled.toml")


def test_device_that_echoes_over_a_terminal(tmp_path: Path) -> None:
    """Its echoes end as answers do, and are none; a bare 3.000 is a position where that was asked."""
    description = _described()
    decoder = description.decoder(ns_per_byte=0)
    assert isinstance(decoder, ToldDecoder)
    received = 0
    batches = []

    def take(_name: str, time: int, data: bytes) -> None:
        nonlocal received
        received += len(data)
        batches.append(decoder.feed(data, time))

    def sent(_name: str, _time: int, data: bytes, unanswered: bool) -> None:
        assert not unanswered
        decoder.asked(data, received)

    schedule = make_schedule(make_driver("delimited", description.protocol), description.talk)
    with PtyPort(tmp_path / "device") as far:
        port = PortReader(
            "device",
            PortSettings(url=str(far.link)),
            on_chunk=take,
            on_state=lambda *_: None,
            on_sent=sent,
            schedule=schedule,
        )
        with port:
            port.wait_open(5)
            taken = b""
            # The numbers that each was answered with.
            asked: dict[bytes, list[int]] = {b"POS?\r\n": [], b"THK?\r\n": []}
            for number in range(20):
                while taken.count(b"\n") <= number:
                    taken += far.receive()
                assert taken.count(b"\n") == number + 1  # the echo was not taken for the answer
                # Not strictly in turn: on a busy machine a request that is late is left out.
                request = taken.splitlines(keepends=True)[-1]
                asked[request].append(number)
                far.send(request)
                far.send(b"%d.000\r\n" % number)
            wait_until(lambda: total(batches).record_bytes >= 10 * 7 + 10 * 8, "the answers")
    found = total(batches)
    assert min(len(numbers) for numbers in asked.values()) >= 3
    assert found.positions["counts"][:, 0].tolist() == asked[b"POS?\r\n"]
    assert found.readings["thickness"].tolist() == asked[b"THK?\r\n"]
    assert not found.faults
    assert found.ignored_bytes == 20 * 6


@pytest.mark.parametrize("request_bytes", [b"M?\r\n", b"\r", b"hex"])
def test_end_of_an_answer_is_found_behind_its_echo(request_bytes: bytes) -> None:
    """However both are cut; where the device sends no echo, too."""
    stream = request_bytes + b"12.5\r\n"
    for data, early in ((stream, len(request_bytes)), (b"12.5\r\n", 0)):
        for cut in range(1, len(data)):
            finder = EchoFinder(EndsWith(b"\r\n"))
            finder.begin(request_bytes)
            assert not finder.feed(data[:cut], 0) or cut > early + 4
            assert finder.feed(data[cut:], 0), (data, cut)
    finder = EchoFinder(SoMany(3))
    finder.begin(b"ab")
    assert not finder.feed(b"abxy", 0)
    assert finder.feed(b"z", 0)


def test_echo_is_left_out_however_it_is_cut() -> None:
    """Offsets are those of the port's stream, and each byte is accounted for."""
    requests = [(0, b"POS?\r\n"), (13, b"THK?\r\n"), (26, b"POS?\r\n"), (38, b"THK?\r\n")]
    # The third echo breaks off: what came of it is a line of its own.
    data = b"POS?\r\n1.500\r\nTHK?\r\n12.41\r\nPOS\r\n2.500\r\nTHK?\r\n12.42\r\n"
    wholes = []
    for seed in range(12):
        decoder = _described().decoder(ns_per_byte=0)
        assert isinstance(decoder, ToldDecoder)
        for offset, request in requests:
            decoder.asked(request, offset)
        pieces = [data] if not seed else random_pieces(data, random.Random(seed))
        wholes.append(total(decoder.feed(piece, 0) for piece in pieces))
        assert_same_stream(wholes[0], wholes[-1])
    whole = wholes[0]
    assert whole.positions["counts"][:, 0].tolist() == [1.5, 2.5]
    assert whole.positions["offset"].tolist() == [6, 31]
    assert whole.readings["thickness"].tolist() == [12.41, 12.42]
    assert whole.readings["offset"].tolist() == [19, 44]
    assert [(fault.offset, fault.excerpt) for fault in whole.faults] == [(26, b"POS")]
    assert whole.bytes == len(data)


def test_echo_that_has_begun_is_dropped_with_the_port() -> None:
    """It is ignored, and the stream continues where it is."""
    decoder = EchoDecoder(make_driver("delimited", _described().protocol).decoder(ns_per_byte=0))
    decoder.asked(b"POS?\r\n", 0)
    assert decoder.feed(b"POS", 0).ignored_bytes == 0
    assert decoder.reset(3).ignored_bytes == 3
    decoder.asked(b"THK?\r\n", 3)
    found = decoder.feed(b"THK?\r\n12.5\r\n", 1)
    assert found.readings["offset"].tolist() == [9]
    assert (found.ignored_bytes, found.record_bytes) == (6, 6)


def test_line_of_a_poll_that_was_not_sent_is_none() -> None:
    """Before any request, and for a record whose poll is not in the description."""
    decoder = _described().decoder(ns_per_byte=0)
    found = decoder.feed(b"3.000\r\n", 0)
    assert not found.readings.size + found.positions.size
    assert [fault.reason for fault in found.faults] == ["unknown_line"]
    decoder = _described(TEXT.replace("echo = true", "")).decoder(ns_per_byte=0)
    assert isinstance(decoder, ToldDecoder)
    decoder.asked(b"POS?\r\n", 7)  # sent behind the line that comes
    assert [fault.reason for fault in decoder.feed(b"3.000\r\n", 0).faults] == ["unknown_line"]
    assert decoder.feed(b"3.000\r\n", 1).positions.size == 1
    with pytest.raises(DescriptionError) as caught:
        _described(TEXT.replace('answers = "POS', 'answers = "PO'))
    assert "'protocol.record[0].answers' must be one of what talk.poll sends: " in str(caught.value)
    with pytest.raises(DescriptionError) as caught:
        _described(TEXT.replace('answers = "POS', 'answers = "THK'))
    assert "nothing shows which of both a line is" in str(caught.value)
