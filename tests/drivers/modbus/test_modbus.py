"""Registers read over real ports from pymodbus' own server, and every field by hand."""

from __future__ import annotations

import random
import struct
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU

from drivers.doubles import Tape, wait_until
from drivers.feeding import same, total
from drivers.modbus.server import SerialDevice, TcpDevice
from swathe_drivers.errors import SettingsError
from swathe_drivers.modbus import ModbusDecoder, ModbusDriver, ModbusSettings
from swathe_drivers.port import PortReader
from swathe_drivers.records import FaultReason
from swathe_drivers.rtu import with_crc
from swathe_drivers.settings import read_settings
from swathe_drivers.talk import TalkSettings, make_schedule
from swathe_drivers.transport import PortSettings

POSITIONS: dict[str, Any] = {
    "fields": [
        {"is": "counts", "register": 100, "type": "int32", "axis": "scan"},
        {"is": "position", "register": 102, "type": "int16", "axis": "index", "unit": "mm", "scale": 0.5},
        {"is": "index_mark", "register": 103, "type": "uint16", "axis": "scan"},
    ]
}  # fmt: skip
READINGS: dict[str, Any] = {
    "registers": "input",
    "fields": [{"is": "thickness", "register": 104, "type": "float32", "unit": "mm"}],
}
TABLE: dict[str, Any] = {"unit": 7, "every": "2 ms", "reads": [POSITIONS]}


def driver(**changes: Any) -> ModbusDriver:
    """A driver of the device of these tests."""
    return ModbusDriver(read_settings(ModbusSettings, TABLE | changes, key="protocol"))


class Listening:
    """A reader and what it heard."""

    def __init__(self, device: ModbusDriver, url: str, timeout: str) -> None:
        self.tape = Tape()
        self.unanswered: list[bytes] = []
        self.decoder = device.decoder(ns_per_byte=0)
        self.reader = PortReader(
            "counter",
            PortSettings(url=url),
            on_chunk=self.tape.on_chunk,
            on_state=self.tape.on_state,
            on_sent=self._sent,
            schedule=make_schedule(device, TalkSettings(timeout=timeout)),
        )

    def _sent(self, _name: str, _time: int, data: bytes, unanswered: bool) -> None:
        if unanswered:
            self.unanswered.append(data)


@contextmanager
def listening(device: ModbusDriver, url: str, timeout: str = "5 s") -> Iterator[Listening]:
    """Poll the device at `url`."""
    heard = Listening(device, url, timeout)
    with heard.reader as reader:
        reader.wait_open(5)
        yield heard


@pytest.mark.parametrize(
    ("serve", "framing"),
    [
        (TcpDevice, "tcp"),
        (lambda: TcpDevice(rtu=True), "rtu"),
        (SerialDevice, "rtu"),
    ],
    ids=["TCP", "RTU over TCP", "RTU on a terminal"],
)
def test_encoder_is_polled_from_pymodbus_server(
    serve: Callable[[], TcpDevice | SerialDevice], framing: str
) -> None:
    """Each request gives one record with what the registers held; function and place are right."""
    with serve() as server, listening(driver(framing=framing), server.url) as heard:
        wait_until(lambda: len(heard.tape.chunks) >= 30, "answers")
    found = total(heard.decoder.feed(data, time) for _, time, data in heard.tape.chunks)
    count = found.positions.size
    assert count >= 29
    assert found.n_faults == Counter()
    assert heard.unanswered == []
    assert set(server.requests) == {(3, 100, 4)}
    numbers = np.arange(count)
    np.testing.assert_array_equal(
        found.positions["counts"], np.column_stack((7 * numbers - 50, -numbers / 2))
    )
    np.testing.assert_array_equal(found.positions["mark"][:, 0], numbers % 2 == 1)
    assert heard.decoder.length_axes == {"index"}
    assert heard.decoder.count_periods == {"scan": 1 << 32, "index": None}


def test_two_reads_take_turns_and_are_told_apart() -> None:
    """Positions by function 3, readings by function 4, the low word first where it is so."""
    device = driver(reads=[POSITIONS, READINGS | {"every": "4 ms"}], word_order="low_first")
    with TcpDevice(rtu=True) as server, listening(device, server.url) as heard:
        wait_until(lambda: len(heard.tape.chunks) >= 30, "answers")
    found = total(heard.decoder.feed(data, time) for _, time, data in heard.tape.chunks)
    kinds = [function for function, _, _ in server.requests]
    assert {(3, 100, 4), (4, 104, 2)} == set(server.requests)
    numbers = [number for number, function in enumerate(kinds) if function == 4]
    assert found.readings["thickness"].tolist() == [
        10 + number / 8 for number in numbers[: found.readings.size]
    ]
    assert found.readings.size >= 5
    assert found.positions.size > found.readings.size
    assert not found.n_faults


def test_exceptions_are_answers_and_counted_with_their_code() -> None:
    """No request is given up, and the fault names the code."""
    with TcpDevice() as server:
        server.refuse = ExcCodes.ILLEGAL_ADDRESS
        with listening(driver(framing="tcp"), server.url) as heard:
            wait_until(lambda: len(heard.tape.chunks) >= 5, "exceptions")
    found = total(heard.decoder.feed(data, time) for _, time, data in heard.tape.chunks)
    assert found.n_faults == {FaultReason.ILLEGAL_ADDRESS: found.bytes // 9}
    assert heard.decoder.exceptions == {2: found.bytes // 9}
    assert found.batches[0].faults[0].detail == (
        "the answer is exception 2: the device has no such registers"
    )
    assert heard.unanswered == []


def test_spoilt_answer_is_a_checksum_fault_and_costs_no_timeout() -> None:
    """The next request follows at once, long before the time-out."""
    with SerialDevice() as server, listening(driver(), server.url, "60 s") as heard:
        wait_until(lambda: len(heard.tape.chunks) >= 5, "answers")
        server.spoil = 1
        wait_until(lambda: server.spoil == 0, "the spoilt answer")
        count = len(heard.tape.chunks)
        wait_until(lambda: len(heard.tape.chunks) >= count + 5, "answers again")
    found = total(heard.decoder.feed(data, time) for _, time, data in heard.tape.chunks)
    assert found.n_faults == {FaultReason.CHECKSUM: 1}
    assert found.positions.size >= 9
    assert heard.unanswered == []


def test_line_that_spoils_everything_is_asked_on() -> None:
    """As many checksum faults, no record, and no request that waits for the time-out."""
    with SerialDevice() as server:
        server.spoil = 1_000_000
        with listening(driver(), server.url, "60 s") as heard:
            wait_until(lambda: len(heard.tape.chunks) >= 5, "spoilt answers")
    found = total(heard.decoder.feed(data, time) for _, time, data in heard.tape.chunks)
    assert set(found.n_faults) == {FaultReason.CHECKSUM}
    assert found.n_faults[FaultReason.CHECKSUM] >= 2
    assert found.positions.size == 0
    assert heard.unanswered == []


def test_late_answer_over_tcp_is_not_taken_for_that_of_the_next_request() -> None:
    """The transaction tells which request it belongs to."""
    finder = driver(framing="tcp").answers()
    first, second = (driver(framing="tcp").requests()[0].make(number) for number in (1, 2))
    data = b"\0\0\0\x0b\x07\x03\x08" + bytes(8)
    finder.begin(second)
    assert not finder.feed(first[:2] + data, 0)
    assert not finder.feed(second[:2], 0)
    assert finder.feed(data, 0)


def transactions(reads: list[dict[str, Any]], count: int) -> list[int]:
    """The transactions of requests that take turns."""
    requests = driver(framing="tcp", reads=reads).requests()
    made = [requests[number % len(requests)].make(number) for number in range(count)]
    return [int.from_bytes(one[:2], "big") for one in made]


@pytest.mark.parametrize(
    ("reads", "apart"), [([POSITIONS], 65_536), ([POSITIONS, READINGS], 32_768)]
)
def test_no_two_of_thousands_of_requests_share_a_transaction(
    reads: list[dict[str, Any]], apart: int
) -> None:
    """All 16 bits count, whichever read it is."""
    found = transactions(reads, apart + 2)
    assert len(set(found[:apart])) == apart
    assert found[apart:] == found[:2]


def test_records_carry_the_number_of_their_request() -> None:
    """Over TCP the transaction, on a serial line that of the read; one for each sound record."""
    device = driver(framing="tcp", reads=[POSITIONS, READINGS])
    decoder = device.decoder(ns_per_byte=0)
    requests = [device.requests()[number % 2].make(number + 500) for number in range(4)]
    sent = answers(4, framing="tcp", source=random.Random(1))
    bad = sent[1][:-4] + struct.pack(">f", float("nan"))
    data = [
        b"".join((request[:2], answer[2:])) for request, answer in zip(requests, sent, strict=True)
    ]
    data.insert(1, requests[1][:2] + bad[2:])
    found = decoder.feed_chunks([(0, b"".join(data[:2])), (5, b"".join(data[2:]))])
    numbers = [decoder.number_of(request) for request in requests]
    assert numbers == [1000, 1003, 1004, 1007]
    assert found.positions_request.tolist() == [1000, 1004]
    assert found.readings_request.tolist() == [1003, 1007]
    assert found.n_faults == {FaultReason.NOT_FINITE: 1}
    assert (found.positions["size"][0], found.readings["size"][0]) == (17, 13)
    assert decoder.numbers_differ
    serial = driver(reads=[POSITIONS, READINGS])
    decoder = serial.decoder(ns_per_byte=0)
    found = decoder.feed(b"".join(answers(4, framing="rtu", source=random.Random(1))), 0)
    assert [decoder.number_of(request.make(7)) for request in serial.requests()] == [0, 1]
    assert decoder.number_of(b"M?\n") == -1
    assert (found.positions_request.tolist(), found.readings_request.tolist()) == ([0, 0], [1, 1])
    assert not decoder.numbers_differ


def crc(data: bytes) -> bytes:
    """The CRC by pymodbus."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def answers(count: int, *, framing: str, source: random.Random) -> list[bytes]:
    """Answers to both reads in turn."""
    out = []
    for number in range(count):
        if number % 2:
            message = b"\x07\x04\x04" + struct.pack(">f", source.uniform(1, 20))
        else:
            message = b"\x07\x03\x08" + source.randbytes(8)
        head = struct.pack(">HHH", number << 4 | number % 2, 0, len(message))
        out.append(head + message if framing == "tcp" else message + crc(message))
    return out


@pytest.mark.parametrize("framing", ["rtu", "tcp"])
def test_answers_cut_anywhere_and_among_garbage_give_the_same(framing: str) -> None:
    """Whole, at every cut, byte by byte; garbage is counted to the byte."""
    device = driver(framing=framing, reads=[POSITIONS, READINGS])
    source = random.Random(3)
    sent = answers(12, framing=framing, source=source)
    data = b"".join(sent)

    def decode(pieces: list[bytes]) -> tuple[ModbusDecoder, Any]:
        decoder = device.decoder(ns_per_byte=0)
        return decoder, total([*(decoder.feed(piece, 0) for piece in pieces), decoder.reset(0)])

    decoder, whole = decode([data])
    assert (whole.readings.size, whole.positions.size) == (6, 6)
    assert (whole.record_bytes, whole.bytes, decoder.pending) == (len(data), len(data), 0)
    for cut in range(1, len(data)):
        _, other = decode([data[:cut], data[cut:]])
        same(whole.readings, other.readings)
        same(whole.positions, other.positions)
    _, other = decode([data[at : at + 1] for at in range(len(data))])
    same(whole.positions, other.positions)
    for seed in range(20):
        source = random.Random(seed)
        parts = []
        for answer in sent:
            parts += [bytes(source.choices(b"\x08\x10\xff\x85", k=source.randrange(9))), answer]
        _, other = decode([b"".join(parts)])
        same(whole.readings, other.readings, but=("time", "offset"))
        same(whole.positions, other.positions, but=("time", "offset"))
        assert other.record_bytes == len(data)
        assert other.fault_bytes == sum(map(len, parts)) - len(data)


def test_half_answers_are_faults_and_the_next_is_found() -> None:
    """A byte lost on the line costs one answer."""
    for at in range(13):
        decoder = driver().decoder(ns_per_byte=0)
        good = b"\x07\x03\x08" + bytes(range(8))
        good += crc(good)
        found = total([decoder.feed(good[:at] + good[at + 1 :] + good + good, 0)])
        assert found.positions.size == 2
        assert (found.record_bytes, found.bytes) == (26, 38)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"reads": [POSITIONS, POSITIONS]}, "'protocol.reads[1].fields' must not have positions as the other read has them"),
        ({"reads": [{"fields": [{"is": "counts", "register": 1, "type": "int23", "axis": "scan"}]}]},
         "'protocol.reads[0].fields[0].type' must be one of int16, uint16, int32"),
        ({"reads": [{"fields": [{"is": "counts", "register": 0, "type": "int16", "axis": "scan"},
                                {"is": "thickness", "register": 125, "type": "int16", "unit": "mm"}]}]},
         "'protocol.reads[0].fields' must be within 125 registers (got 126)"),
        ({"reads": [{"fields": [{"is": "counts", "register": 0, "type": "int32", "axis": "scan"},
                                {"is": "thickness", "register": 1, "type": "int16", "unit": "mm"}]}]},
         "'protocol.reads[0].fields[1].register' must be >= 2, as the field before takes"),
        ({"reads": [{"fields": [{"is": "thickness", "register": 9, "type": "int16", "unit": "mm"},
                                {"is": "counts", "register": 0, "type": "int16", "axis": "S"}]}]},
         "'protocol.reads[0].fields[1].axis' must match"),
        ({"reads": [POSITIONS, {"registers": "holding", "fields": [
            {"is": "thickness", "register": 3, "type": "int64", "unit": "mm"}]}]},
         "'protocol.reads[1].fields' must have another number of registers"),
        ({"every": "0 ms"}, "'protocol.every' must be > 0 (got '0 ms')"),
    ],
)  # fmt: skip
def test_settings_with_mistake_name_the_key(changes: dict[str, Any], told: str) -> None:
    """By the user's own numbers, not those of what is made of them."""
    with pytest.raises(SettingsError) as caught:
        driver(**changes)
    assert str(caught.value).startswith(told)


def test_answer_with_a_wrong_crc_ends_the_wait_at_its_last_byte() -> None:
    """No time-out is waited for; a part of it, another unit's and another read's do not end it."""
    read = {"fields": [{"is": "counts", "axis": "scan", "register": 0, "type": "int16"}]}
    driver = ModbusDriver(ModbusSettings.model_validate({"unit": 3, "reads": [read]}))
    request = driver.requests()[0].make(0)
    # Of the form in MODBUS over Serial Line V1.02, 2.5.1: unit, function, bytes, data, CRC.
    for answer, ends in (
        ("03 03 02 12 34 00 00", True),
        ("03 83 02 00 00", True),
        ("04 03 02 12 34 00 00", False),
        ("03 03 04 12 34 00 00", False),
    ):
        finder = driver.answers()
        finder.begin(request)
        data = bytes.fromhex(answer)
        assert not finder.feed(data[:-1], 1)
        assert finder.feed(data[-1:], 2) is ends
        finder.begin(request)
        assert not finder.feed(b"", 3)


def test_answer_of_another_unit_names_both() -> None:
    """With a right CRC, also in the middle of other bytes; an exception as well; else nothing is known."""
    settings = ModbusSettings.model_validate(
        {"unit": 3, "reads": [{"fields": [POSITIONS["fields"][0]]}]}
    )
    for answer, other in (
        (bytes([4, 3, 4, 0, 1, 0, 2]), True),
        (bytes([4, 0x83, 2]), True),
        (bytes([4, 3, 6, 0, 1, 0, 2, 0, 3]), False),
    ):
        decoder = ModbusDecoder(settings)
        found = decoder.feed(b"\x00\x11" + with_crc(answer) + b"\x07", 0)
        last = decoder.reset(0)
        details = [fault.detail for fault in (*found.faults, *last.faults)]
        wanted = "answered as unit 4, asked for unit 3: set 'unit' to 4"
        assert (wanted in details) is other
        decoder = ModbusDecoder(settings)
        found = decoder.feed(b"\x00\x11" + with_crc(answer)[:-1] + b"\xee\x07", 0)
        assert wanted not in [fault.detail for fault in (*found.faults, *decoder.reset(0).faults)]


def _reads(*fields: list[dict[str, Any]]) -> dict[str, Any]:
    return {"reads": [{"fields": one, "unit": 1 + number} for number, one in enumerate(fields)]}


def test_read_of_channels_alone_holds_them_and_not_those_of_readings() -> None:
    """Until its next answer or a lost port; a channel next to a reading is its own."""
    value = {"is": "thickness", "unit": "mm", "type": "uint16", "register": 0}
    gain = {"is": "channel", "name": "gain", "type": "int16", "register": 1}
    heat = {"is": "channel", "name": "heat", "type": "int16", "register": 0}
    settings = read_settings(ModbusSettings, _reads([value, gain], [heat]), key="reads")
    decoder = ModbusDecoder(settings)
    reading = with_crc(bytes.fromhex("01 03 04 0005 0028"))
    channel = with_crc(bytes.fromhex("02 03 02 FFEC"))
    data = reading + channel + reading
    found = decoder.feed(data, 0)
    np.testing.assert_array_equal(found.channels, [[40.0, np.nan], [40.0, -20.0]])
    found = decoder.feed(reading, 1)
    assert found.channels is not None
    assert found.channels.tolist() == [[40.0, -20.0]]
    decoder.reset(len(data) + len(reading))
    np.testing.assert_array_equal(decoder.feed(reading, 2).channels, [[40.0, np.nan]])


@pytest.mark.parametrize(
    ("second", "message"),
    [
        (
            [{"is": "status", "valid": [1], "type": "uint16", "register": 0}],
            "must have at least one of",
        ),
        ([{"is": "sequence", "type": "uint16", "register": 0}], "otherwise leave this read out"),
    ],
)
def test_second_read_that_gives_nothing_is_refused(
    second: list[dict[str, Any]], message: str
) -> None:
    """A status without its value, or a number by itself, would be polled for nothing."""
    value = {"is": "thickness", "unit": "mm", "type": "uint16", "register": 0}
    with pytest.raises(SettingsError, match=message):
        read_settings(ModbusSettings, _reads([value], second), key="reads")


def test_reads_of_channels_alone_are_refused() -> None:
    """No reading and no position: nothing to keep them with."""
    heat = {"is": "channel", "name": "heat", "type": "int16", "register": 0}
    with pytest.raises(SettingsError, match="must have a thickness, a time of flight or counts"):
        read_settings(ModbusSettings, _reads([heat], [heat | {"name": "gain"}]), key="reads")
