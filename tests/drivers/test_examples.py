"""The descriptions that come with the package, against generators of their devices' bytes."""

from __future__ import annotations

import random
import threading
import tomllib
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest

from drivers.doubles import PtyPort, Tape, wait_until
from drivers.feeding import random_pieces, total
from swathe_drivers.examples import example, example_names
from swathe_drivers.port import PortReader

NMEA = ("nmea_gauge", "scpi_counter", "modbus_encoder")


def sentence(body: str) -> bytes:
    """A sentence with its checksum."""
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n".encode()


def test_examples_are_sound_and_say_what_they_are() -> None:
    """All of them can be used as they stand."""
    assert set(example_names()) == set(NMEA)
    for name in example_names():
        found = example(name)
        assert found.about
        assert found.schedule() is not None
        found.port_settings("COM3")
    with pytest.raises(FileNotFoundError):
        example("no_such")


def test_nmea_sentences_are_decoded_and_others_passed_over() -> None:
    """Cut anywhere, with the battery's sentences between and a torn one in front."""
    source = random.Random(1)
    data, want = b"WTH,998,12.00,M,A*00\r\n", []
    for number in range(200):
        hundredths, lost = source.randrange(100, 9999), source.random() < 0.2
        value = "--.--" if lost else f"{hundredths // 100:02d}.{hundredths % 100:02d}"
        data += sentence(f"TWWTH,{number:03d},{value},M,{'V' if lost else 'A'}")
        want.append(np.nan if lost else hundredths / 100)
        if number % 20 == 0:
            data += sentence("TWBAT,7.4,V")
    decoder = example("nmea_gauge").decoder(ns_per_byte=0)
    found = total(decoder.feed(piece, 0) for piece in random_pieces(data, source))
    np.testing.assert_array_equal(found.readings["thickness"], want)
    assert found.readings["sequence"].tolist() == list(range(200))
    assert (found.n_ignored, found.n_faults.total(), found.bytes) == (11, 0, len(data))


def test_nmea_commands_have_the_checksum_of_their_kind() -> None:
    """What is sent is held to the same rule as what comes."""
    talk = tomllib.loads(example("nmea_gauge").text)["talk"]
    for text in (*talk["start"], talk["keep_alive"]["send"]):
        assert text.encode() == sentence(text[1:].partition("*")[0])


def test_scpi_counter_is_asked_over_a_port_and_understood(tmp_path: Path) -> None:
    """Start-up commands, then a query for each answer; the answer without echo is no reading."""
    description, tape = example("scpi_counter"), Tape()
    heard: list[bytes] = []

    def device(far: PtyPort) -> None:
        waiting, number = b"", 0
        while b"SYST:LOC\n" not in heard:
            waiting += far.receive()
            while b"\n" in waiting:
                line, _, waiting = waiting.partition(b"\n")
                heard.append(line + b"\n")
                if line.endswith(b"?"):
                    value = b"+9.91000E+37" if number == 3 else b"%+.5E" % (10 + number / 8)
                    far.send(b"%+d;%s\n" % (-100 * number, value))
                    number += 1

    with PtyPort(tmp_path / "port") as far:
        reader = PortReader(
            "counter",
            description.port_settings(str(far.link)),
            on_chunk=tape.on_chunk,
            on_state=tape.on_state,
            schedule=description.schedule(),
        )
        thread = threading.Thread(target=device, args=(far,))
        with reader:
            reader.wait_open(5)
            thread.start()
            wait_until(lambda: tape.data.count(b"\n") >= 10, "answers")
        thread.join()
    assert heard[:4] == [b"*CLS\n", b"*RST\n", b"SENS:COUP ON\n", b"COUN:VAL?;:MEAS:THIC?\n"]
    assert heard[-2:] == [b"SENS:COUP OFF\n", b"SYST:LOC\n"]
    decoder = description.decoder(ns_per_byte=0)
    found = total(decoder.feed(data, time) for _, time, data in tape.chunks)
    count = found.readings.size
    assert (count >= 10, found.n_faults.total()) == (True, 0)
    want = [10 + number / 8 if number != 3 else np.nan for number in range(count)]
    np.testing.assert_allclose(found.readings["thickness"], want, rtol=1e-5)
    assert found.readings["valid"].tolist() == [number != 3 for number in range(count)]
    assert found.positions["counts"][:, 0].tolist() == [-100 * number for number in range(count)]


def test_modbus_encoder_asks_for_its_registers() -> None:
    """Two registers and the state, from 16 on; the low word first."""
    description = example("modbus_encoder")
    schedule = description.schedule()
    assert schedule is not None
    request = schedule.due(0)
    assert request is not None
    assert request[:6] == bytes.fromhex("05 03 00 10 00 03")
    answer = bytes.fromhex("05 03 06 56 78 12 34 00 01")
    register = 0xFFFF  # CRC-16/MODBUS, bit by bit
    for byte in answer:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    batch = description.decoder(ns_per_byte=0).feed(answer + register.to_bytes(2, "little"), 0)
    assert batch.positions["counts"].tolist() == [[0x12345678]]
    assert batch.positions["mark"].tolist() == [[True]]
