"""Captures: written, read back, torn, and replayed in place of a port."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.doubles import PtyPort, Tape, TcpServer, wait_until
from swathe_drivers.capture import (
    CapturedChunk,
    CapturedState,
    CaptureError,
    CaptureHeader,
    CaptureReader,
    CaptureWriter,
)
from swathe_drivers.errors import DriverUsageError, PortError, SettingsError
from swathe_drivers.port import PortReader, PortState, open_port
from swathe_drivers.settings import read_settings
from swathe_drivers.transport import PortSettings

HEADER = CaptureHeader(url="COM3", settings={"baud": 9600}, description='about = "µ"\n')
CHUNKS = [
    (1_000, b"R,1.25\r\n"),
    (61_000_000, bytes(range(256))),
    (62_000_000, b"\t ~"),
    (90_000_000, b"\xff"),
]


def written(path: Path) -> Path:
    """A capture of `CHUNKS`."""
    with CaptureWriter(path, HEADER, start_ns=1_000) as writer:
        writer.state(1_000, "open", "COM3 is open")
        for time, data in CHUNKS:
            writer.chunk(time, data)
        assert (writer.chunks, writer.bytes) == (4, 268)
    return path


def replayed(url: str) -> Tape:
    """All that a reader makes of a capture."""
    tape = Tape()
    port = PortReader(
        "gauge", PortSettings(url=url), on_chunk=tape.on_chunk, on_state=tape.on_state
    )
    with port:
        port.wait_open(5)
        wait_until(lambda: tape.count(PortState.CLOSED) == 1, "the end of the capture")
        port.wait_open(5)  # it was open, and is at its end
    return tape


def test_capture_reads_back_what_was_written(tmp_path: Path) -> None:
    """Header, states and chunks with their times, whatever the bytes are; text stays readable."""
    path = written(tmp_path / "gauge.jsonl")
    with CaptureReader(path) as reader:
        assert reader.header.url == "COM3"
        assert reader.header.settings == {"baud": 9600}
        assert reader.header.description == 'about = "µ"\n'
        assert reader.header.began
        entries = list(reader)
        assert reader.torn == ""
    assert entries[0] == CapturedState(0, "open", "COM3 is open")
    assert entries[1:] == [CapturedChunk(time - 1_000, data) for time, data in CHUNKS]
    assert json.loads(path.read_text("utf-8").splitlines()[2]) == {"at": 0, "text": "R,1.25\r\n"}


def test_capture_torn_at_every_byte_reads_up_to_the_last_whole_chunk(tmp_path: Path) -> None:
    """A crash costs the line it tore and nothing before."""
    whole = written(tmp_path / "whole.jsonl").read_bytes()
    begins = whole.index(b"\n") + 1
    torn = tmp_path / "torn.jsonl"
    for size in range(begins, len(whole) + 1):
        torn.write_bytes(whole[:size])
        with CaptureReader(torn) as reader:
            entries = list(reader)
            assert len(entries) == whole[begins:size].count(b"\n")
            assert bool(reader.torn) == (whole[size - 1 : size] != b"\n")


def test_capture_damaged_line_ends_the_reading_and_is_told(tmp_path: Path) -> None:
    """The line is named; what is before it is there."""
    path = written(tmp_path / "gauge.jsonl")
    lines = path.read_bytes().splitlines(keepends=True)
    for damaged in (
        b"{}\n",
        b'{"at": 1.5, "text": ""}\n',
        b'{"at": 1, "base64": "?"}\n',
        b"[]\n",
        b'{"at": -1, "text": ""}\n',
        b'{"at": 4611686018427387904, "text": ""}\n',  # 2**62
        b"[" * 100_000 + b"\n",
    ):
        path.write_bytes(b"".join([*lines[:3], damaged, *lines[3:]]))
        with CaptureReader(path) as reader:
            assert len(list(reader)) == 2
            assert reader.torn.startswith(
                "line 4 is damaged, it and what is behind it are left out"
            )


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "is no capture: its first line is no JSON object with 'capture' and 'url'"),
        (b"R,12\r\n", "is no capture: its first line is no JSON object with 'capture' and 'url'"),
        (b'{"capture": 2, "url": "x"}\n', "is a capture of version 2, this reads version 1"),
        (None, "there is no such file; check the path"),
    ],
)
def test_capture_that_is_none_says_so(tmp_path: Path, content: bytes | None, reason: str) -> None:
    """The file is named, and what is wrong with it; a port of it is closed, not tried for ever."""
    path = tmp_path / "gauge.jsonl"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CaptureError) as caught:
        CaptureReader(path)
    assert str(caught.value) == f"capture {path}: {reason}"
    with pytest.raises(PortError) as refused:
        open_port(PortSettings(url=f"capture:{path}"))
    assert refused.value.reason == reason
    tape = Tape()
    settings = PortSettings(url=f"capture:{path}")
    with PortReader("g", settings, on_chunk=tape.on_chunk, on_state=tape.on_state) as port:
        wait_until(lambda: tape.count(PortState.CLOSED) == 1, "the end")
        with pytest.raises(PortError):
            port.wait_open(5)
    assert tape.states[-1] == (PortState.CLOSED, reason)


def test_capture_writer_refuses_what_it_must(tmp_path: Path) -> None:
    """An existing file is kept; a closed capture takes nothing more; no folder, no file."""
    path = written(tmp_path / "gauge.jsonl")
    before = path.read_bytes()
    with pytest.raises(CaptureError, match="exists already; name another file"):
        CaptureWriter(path, HEADER, start_ns=0)
    assert path.read_bytes() == before
    with pytest.raises(CaptureError, match="can't be made: No such file or directory"):
        CaptureWriter(tmp_path / "none" / "x.jsonl", HEADER, start_ns=0)
    writer = CaptureWriter(tmp_path / "other.jsonl", HEADER, start_ns=0)
    writer.close()
    writer.close()
    with pytest.raises(DriverUsageError):
        writer.chunk(1, b"x")


def test_replay_keeps_the_times_between_chunks(tmp_path: Path) -> None:
    """At the original pace chunks come when they came, and are stamped as they were."""
    path = written(tmp_path / "gauge.jsonl")
    tape = replayed(f"capture:{path}")
    assert [data for _, _, data in tape.chunks] == [data for _, data in CHUNKS]
    stamps = [time for _, time, _ in tape.chunks]
    assert [stamp - stamps[0] for stamp in stamps] == [time - 1_000 for time, _ in CHUNKS]
    told = [state for state, _ in tape.states]
    assert told == [PortState.OPENING, PortState.OPEN, PortState.CLOSED]
    assert tape.states[-1][1] == "closed, end of the capture"
    opened, closed = tape.times[1], tape.times[2]
    assert closed - opened >= CHUNKS[-1][0] - 1_000 - 1_000_000  # not faster than it was


def test_replay_fast_keeps_the_stamps_and_does_not_wait(tmp_path: Path) -> None:
    """An hour replays at once, with an hour between its stamps; what is torn is told."""
    path = tmp_path / "long.jsonl"
    with CaptureWriter(path, HEADER, start_ns=0) as writer:
        for minute in range(61):
            writer.chunk(minute * 60_000_000_000, b"%d\n" % minute)
    with path.open("ab") as stream:
        stream.write(b'{"at": 36')
    tape = replayed(f"capture:{path}?pace=fast")
    stamps = [time for _, time, _ in tape.chunks]
    assert stamps[-1] - stamps[0] == 3_600_000_000_000
    assert tape.states[-1] == (
        PortState.CLOSED,
        "closed, end of the capture; its last line, 63, is torn off and left out",
    )


@pytest.mark.parametrize("kind", ["pty", "tcp"])
def test_capture_of_a_real_port_replays_the_same_bytes(tmp_path: Path, kind: str) -> None:
    """Round trip: a port's bytes into a capture, and out of it through the same reader."""
    sent = bytes(range(256)) * 20 + b"R,12.34\r\n" * 50
    path = tmp_path / "port.jsonl"
    tape = Tape()
    writer = CaptureWriter(path, HEADER, start_ns=0)

    def take(name: str, time_ns: int, data: bytes) -> None:
        writer.chunk(time_ns, data)
        tape.on_chunk(name, time_ns, data)

    with PtyPort(tmp_path / "gauge") as far_end, TcpServer() as server, writer:
        url = str(far_end.link) if kind == "pty" else server.url
        settings = PortSettings(url=url)
        with PortReader("g", settings, on_chunk=take, on_state=tape.on_state) as port:
            client = server.accept() if kind == "tcp" else None
            port.wait_open(5)
            for at in range(0, len(sent), 500):
                piece = sent[at : at + 500]
                client.sendall(piece) if client else far_end.send(piece)
                whole = at + len(piece)
                wait_until(lambda whole=whole: len(tape.data) == whole, "bytes")  # type: ignore[misc]
    again = replayed(f"capture:{path}?pace=fast")
    assert [data for _, _, data in again.chunks] == [data for _, _, data in tape.chunks]
    first, first_again = tape.chunks[0][1], again.chunks[0][1]
    assert [t - first for _, t, _ in tape.chunks] == [t - first_again for _, t, _ in again.chunks]


@pytest.mark.parametrize("url", ["capture:", "capture:x?pace=slow", "capture:?pace=fast"])
def test_capture_url_with_mistake_is_refused(url: str) -> None:
    """The settings say what may be written."""
    with pytest.raises(SettingsError) as caught:
        read_settings(PortSettings, {"url": url}, key="port")
    assert str(caught.value) == (
        "'port.url' must be capture:PATH, capture:PATH?pace=original or capture:PATH?pace=fast"
        f" (got {url!r})"
    )


def test_replay_takes_what_is_written_and_sends_it_nowhere(tmp_path: Path) -> None:
    """A device that is asked has its answers in the capture already."""
    path = written(tmp_path / "gauge.jsonl")
    transport = open_port(PortSettings(url=f"capture:{path}?pace=fast"))
    transport.write(b"?\r\n")
    assert transport.write_some(b"?\r\n") == 3
    assert not transport.discard_output()
    assert transport.read() == b"R,1.25\r\n"
    transport.close()
