"""A-scans in frames, down to a real port and back."""

import binascii
import random
import struct
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.doubles import PATIENCE, PtyPort, Tape, TcpServer, wait_until
from drivers.feeding import total
from drivers.frames.feeding import assert_parses, make
from drivers.frames.frame_model import build
from drivers.frames.tables import CRC_32
from swathe_drivers.port import PortReader
from swathe_drivers.transport import PortSettings

CODES = {"i1": "b", "u1": "B", "i2": "h", "u2": "H"}
SCANS: dict[str, Any] = {
    "framing": {"kind": "length_prefix", "sync": [0xA5, 0x5A], "adds": 8},
    "checksum": CRC_32 | {"from": 2},
    "byte_order": "big",
    "fields": [
        {"is": "length", "type": "u2"},
        {"is": "sequence", "type": "u4"},
        {"is": "counts", "type": "i4", "axis": "scan"},
        {"is": "waveform", "type": "i2", "samples": 500, "interval": "10 ns", "full_scale": 2048},
    ],
}


def scan(number: int) -> tuple[int, ...]:
    """An A-scan unlike every other."""
    source = random.Random(number)
    return tuple(source.randrange(-32768, 32768) for _ in range(500))


def frame(number: int) -> bytes:
    """A frame with an A-scan."""
    numbers = struct.pack(">Ii500h", number, -number, *scan(number))
    return build(SCANS, b"\x00\x00" + numbers)


@pytest.fixture(params=["terminal", "network"])
def far_end(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[PtyPort | TcpServer]:
    """The far end of a port."""
    with (
        PtyPort(tmp_path / "detector") if request.param == "terminal" else TcpServer()
    ) as found:  # fmt: skip
        yield found


@pytest.mark.parametrize("type_", CODES)
@pytest.mark.parametrize("order", ["little", "big"])
def test_feed_samples_of_every_type_arrive_as_sent(type_: str, order: str) -> None:
    """Counts are handed on as they are, in one byte order, the earliest sample first."""
    table = {
        "framing": {"kind": "fixed", "sync": [0x55], "length": 1 + 8 * int(type_[1])},
        "byte_order": order,
        "fields": [
            {"is": "waveform", "type": type_, "samples": "rest", "interval": "0.5 us",
             "start": "-1 us", "full_scale": 100, "zero": 0 if type_[0] == "i" else 128},
        ],
    }  # fmt: skip
    info = np.iinfo(type_)
    samples = [[int(info.min), 0, 1, 2, 3, 4, 5, int(info.max)], [7, 6, 5, 4, 3, 2, 1, 0]]
    mark = "<" if order == "little" else ">"
    data = b"".join(b"\x55" + struct.pack(f"{mark}8{CODES[type_]}", *row) for row in samples)
    found = assert_parses(table, data)
    assert found.waveforms is not None
    assert found.waveforms.tolist() == samples
    form = make(table).waveform
    assert form is not None
    assert (form.samples, form.interval_us, form.start_us) == (8, 0.5, -1.0)
    assert (form.full_scale, form.zero) == (100, 0 if type_[0] == "i" else 128)
    assert found.waveforms.dtype == form.dtype == np.dtype(f"<{type_}")
    assert found.readings["valid"].tolist() == [True, True]
    assert np.isnan(found.readings["time_of_flight"]).all()


def test_feed_invalid_scan_keeps_its_samples() -> None:
    """A status that says invalid is believed; the A-scan is still the reading's."""
    table = {
        "framing": {"kind": "fixed", "sync": [0x55], "length": 6},
        "fields": [
            {"is": "status", "type": "u1", "valid": [1], "invalid": [0]},
            {"is": "waveform", "type": "i1", "samples": 4, "interval": "1 us", "full_scale": 127},
        ],
    }
    data = b"\x55\x00\x01\x02\x03\x04\x55\x01\x05\x06\x07\x08\x55\x09\x00\x00\x00\x00"
    found = assert_parses(table, data)
    assert found.readings["valid"].tolist() == [False, True]
    assert found.waveforms is not None
    assert found.waveforms.tolist() == [[1, 2, 3, 4], [5, 6, 7, 8]]


def test_feed_scan_with_damage_is_left_out_of_both_columns() -> None:
    """Row i of the A-scans stays that of row i of the readings."""
    frames = [frame(number) for number in range(6)]
    frames[2] = frames[2][:100] + bytes([frames[2][100] ^ 8]) + frames[2][101:]
    found = assert_parses(SCANS, b"".join(frames), every=97)
    assert found.readings["sequence"].tolist() == [0, 1, 3, 4, 5]
    assert found.waveforms is not None
    assert found.waveforms.tolist() == [list(scan(number)) for number in (0, 1, 3, 4, 5)]


def test_scans_are_their_own_copy() -> None:
    """What a batch holds does not change when more bytes come."""
    decoder = make(SCANS)
    batch = decoder.feed(frame(1) + frame(2)[:300], 0)
    decoder.feed(frame(2)[300:], 1)
    assert batch.waveforms is not None
    assert batch.waveforms.flags.owndata
    assert batch.waveforms.tolist() == [list(scan(1))]


def test_scans_come_through_a_real_port(far_end: PtyPort | TcpServer) -> None:
    """A-scans sent through a terminal or a network arrive whole, each in its place."""
    count = 20
    tape = Tape()
    url = far_end.url if isinstance(far_end, TcpServer) else str(far_end.link)
    with PortReader(
        "detector", PortSettings(url=url), on_chunk=tape.on_chunk, on_state=tape.on_state
    ) as port:
        client = far_end.accept() if isinstance(far_end, TcpServer) else None
        port.wait_open(PATIENCE)
        for number in range(count):
            data = frame(number)
            if client is not None:
                client.sendall(data)
            else:
                assert isinstance(far_end, PtyPort)
                far_end.send(data)
                sent = (number + 1) * len(data)
                wait_until(lambda sent=sent: len(tape.data) == sent, "a frame")  # type: ignore[misc]
        wait_until(lambda: len(tape.data) == count * len(frame(0)), "all frames")
    decoder = make(SCANS)
    found = total(decoder.feed(data, time) for _, time, data in tape.chunks)
    assert not found.n_faults
    assert found.readings["sequence"].tolist() == list(range(count))
    assert found.positions["counts"].tolist() == [[float(-number)] for number in range(count)]
    assert found.waveforms is not None
    assert found.waveforms.tolist() == [list(scan(number)) for number in range(count)]


def test_readme_example_decodes_what_it_describes() -> None:
    """The invented flaw detector of the drivers' README is understood, byte for byte."""
    text = (Path(__file__).parents[3] / "drivers" / "README.md").read_text("utf-8")
    _, _, text = text.partition("\n## Binary frames\n")
    table = tomllib.loads(text.partition("```toml\n")[2].partition("```")[0])["protocol"]
    body = struct.pack(">HIBiHH500h", 7, 160, 0x81, -42, 803, 0, *scan(3))
    covered = b"\x53" + struct.pack(">H", len(body)) + body
    data = b"\xb7\x2e" + covered + struct.pack(">H", binascii.crc_hqx(covered, 0xFFFF))
    found = assert_parses(table, data + b"\xb7" + data, every=41)
    assert len(found.readings) == 2
    reading = found.readings[1]
    assert (reading["sequence"], reading["device_time"]) == (7, 10_000)
    assert reading["amplitude"] == pytest.approx(80.3)
    assert reading["valid"]
    assert found.positions["counts"].tolist() == [[-42.0]] * 2
    assert found.positions["mark"].tolist() == [[True]] * 2
    assert found.waveforms is not None
    assert found.waveforms[0].tolist() == list(scan(3))
    assert found.fault_bytes == 1
