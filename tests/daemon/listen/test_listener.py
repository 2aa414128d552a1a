"""Listening at one port: counts, rates, the newest of everything, captures."""

from __future__ import annotations

import io
import socket
import threading
from pathlib import Path

import pytest
from rich.console import Console

from drivers.doubles import PtyPort, TcpServer, wait_until
from swathe.listen import Listener, LivePicture, PlainPrinter, PortSnapshot, quoted, summary
from swathe.listen.view import readable
from swathe_drivers import PortSettings
from swathe_drivers.capture import CapturedChunk, CaptureHeader, CaptureReader, CaptureWriter
from swathe_drivers.description import parse_description

PROTOCOL = """
[protocol]
columns = [
  { is = "constant", text = "R" },
  { is = "sequence", wrap = 10 },
  { is = "device_time", unit = "ms" },
  { is = "thickness", unit = "mm", no_echo = [0.0] },
  { is = "counts", axis = "scan" },
]
"""


def said(listener: Listener) -> PortSnapshot:
    """All that a listener knows by now."""
    listener.drain()
    return listener.snapshot()


@pytest.mark.parametrize("kind", ["pty", "tcp"])
def test_listener_counts_records_faults_and_missing(tmp_path: Path, kind: str) -> None:
    """Over a real port: what is decoded, what is not and why, what the running number misses."""
    with PtyPort(tmp_path / "gauge") as far_end, TcpServer() as server:
        url = str(far_end.link) if kind == "pty" else server.url
        description = parse_description(PROTOCOL, "test")
        listener = Listener(PortSettings(url=url), decoder=description.decoder(ns_per_byte=0))
        with listener:
            client = server.accept() if kind == "tcp" else None
            send = client.sendall if client else far_end.send

            first = b"R,8,100,12.5,7\r\nR,9,110,0.0,8\r\n"
            second = b"R,2,120,12.25,-9\r\nR,3,1x0,12.25,9\r\nR,"
            wait_until(lambda: said(listener).state == "open", "open")
            send(first)
            wait_until(lambda: said(listener).bytes == len(first), "the first bytes")
            send(second)
            wait_until(lambda: said(listener).bytes == len(first + second), "all bytes")
            snapshot = listener.snapshot()
    assert snapshot.records == 3
    assert snapshot.missing == 2  # 0 and 1, behind 9
    assert snapshot.faults == {"number": 1}
    assert snapshot.newest_faults[-1].offset == len(first) + 18
    assert snapshot.good  # one fault is nobody's
    assert [dict(record.fields) for record in snapshot.newest_records][1:] == [
        {"number": "9", "device s": "0.110000", "echo": "NO", "thick mm": "–", "scan": "8"},
        {"number": "2", "device s": "0.120000", "echo": "yes", "thick mm": "12.250", "scan": "-9"},
    ]
    assert b"".join(chunk.data for chunk in snapshot.newest_chunks) == first + second
    assert snapshot.newest_chunks[0].gap is None
    assert all((chunk.gap or 0) >= 0 for chunk in snapshot.newest_chunks[1:])


def test_listener_writes_a_capture_and_replays_it(tmp_path: Path) -> None:
    """What was captured plays again with the same records, at once, and ends."""
    path = tmp_path / "gauge.jsonl"
    lines = b"".join(b"R,%d,%d,12.5,%d\r\n" % (n % 10, n * 10, n) for n in range(500))
    with PtyPort(tmp_path / "gauge") as far_end:
        settings = PortSettings(url=str(far_end.link))
        with (
            CaptureWriter(path, CaptureHeader(url=settings.url), start_ns=0) as writer,
            Listener(settings, capture=writer, keep_bytes=1000) as listener,
        ):
            wait_until(lambda: said(listener).state == "open", "open")
            for at in range(0, len(lines), 900):
                far_end.send(lines[at : at + 900])
                wait_until(
                    lambda at=at: said(listener).bytes == min(len(lines), at + 900),  # type: ignore[misc]
                    "bytes",
                )
            snapshot = listener.snapshot()
    assert snapshot.good
    assert not snapshot.decoded
    assert 1000 <= sum(len(data) for _, data in listener.kept) < 2000
    with CaptureReader(path) as reader:
        assert b"".join(e.data for e in reader if isinstance(e, CapturedChunk)) == lines
    again = Listener(
        PortSettings(url=f"capture:{path}?pace=fast"),
        decoder=parse_description(PROTOCOL, "test").decoder(ns_per_byte=0),
    )
    with again:
        wait_until(lambda: said(again).state == "closed", "the end")
        snapshot = again.snapshot()
    assert (snapshot.records, snapshot.faults, snapshot.missing) == (500, {}, 0)
    assert snapshot.good
    assert (snapshot.state, snapshot.detail) == ("closed", "closed, end of the capture")
    assert summary(snapshot).endswith("; faults: none")


def test_views_show_bytes_fields_and_faults(tmp_path: Path) -> None:
    """The live view and the plain lines, side by side, stacked, frozen, and without a protocol."""
    path = tmp_path / "gauge.jsonl"
    with CaptureWriter(path, CaptureHeader(url="COM3"), start_ns=0) as writer:
        writer.chunk(0, b"R,1,10,12.5,5\r\n")
        writer.chunk(34_500_000, b"R,2,20,12.5,x[/]\r\n")
        writer.chunk(44_500_000, b"\xff\x00\x01\x02")
    for protocol, width in ((True, 160), (True, 80), (False, 80)):
        listener = Listener(
            PortSettings(url=f"capture:{path}?pace=fast"),
            decoder=parse_description(PROTOCOL, "t").decoder(ns_per_byte=0) if protocol else None,
        )
        with listener:
            wait_until(lambda: said(listener).state == "closed", "the end")  # noqa: B023
        assert listener.ended
        snapshot = listener.snapshot()
        out = io.StringIO()
        console = Console(file=out, width=width, height=40, force_terminal=True, color_system=None)
        with LivePicture(console, title="COM3") as picture:
            picture.show(snapshot)
            picture.freeze()
            picture.show(snapshot)
            assert "FROZEN" in out.getvalue()
        shown = out.getvalue()
        assert "52 2c 31 2c 31 30 2c 31" in shown
        assert "+34.5 ms" in shown
        assert ("12.500" in shown) is protocol
        assert ("byte 15, 16 bytes: number: column 5 (counts scan): 'x[/]'" in shown) is protocol
        plain = io.StringIO()
        printer = PlainPrinter(Console(file=plain, width=width))
        printer.show(snapshot)
        printer.show(snapshot)  # nothing is told twice
        lines = plain.getvalue().splitlines()
        assert lines[0] == "port closed: closed, end of the capture"
        assert sum("byte 0: 'R,1,10,12.5,5\\r\\n'" in line for line in lines) == 1
        assert sum("byte 33: ff 00 01 02" in line for line in lines) == 1
        assert any(line.endswith("echo yes, thick mm 12.500, scan 5") for line in lines) is protocol
        assert any(line.startswith("fault at byte 15, ") for line in lines) is protocol


TWO_READS = """
driver = "modbus"
[protocol]
[[protocol.reads]]
fields = [{ is = "counts", axis = "scan", register = 0, type = "int32" }]
[[protocol.reads]]
registers = "input"
fields = [{ is = "thickness", unit = "mm", register = 7, type = "uint16", scale = 0.01 }]
"""


def answer(function: int, data: bytes) -> bytes:
    """What unit 1 answers; CRC-16/MODBUS bit by bit."""
    frame = bytes([1, function, len(data)]) + data
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return frame + register.to_bytes(2, "little")


def test_listener_shows_positions_and_readings_that_come_apart(tmp_path: Path) -> None:
    """A chunk with answers to two reads, not as many of each: each is a record of its own."""
    path = tmp_path / "registers.jsonl"
    with CaptureWriter(path, CaptureHeader(url="COM3"), start_ns=0) as writer:
        place, wall = answer(3, b"\0\0\0\7"), answer(4, (1250).to_bytes(2, "big"))
        writer.chunk(0, place + wall + answer(3, b"\xff\xff\xff\xfe") + place)
    listener = Listener(
        PortSettings(url=f"capture:{path}?pace=fast"),
        decoder=parse_description(TWO_READS, "test").decoder(ns_per_byte=0),
    )
    with listener:
        wait_until(lambda: said(listener).state == "closed", "the end")
        snapshot = listener.snapshot()
    assert (snapshot.records, snapshot.faults) == (4, {})
    assert [record.number for record in snapshot.newest_records] == [1, 2, 3, 4]
    assert [dict(record.fields) for record in snapshot.newest_records] == [
        {"scan": "7"},
        {"echo": "yes", "thick mm": "12.500"},
        {"scan": "-2"},
        {"scan": "7"},
    ]


def test_summary_of_a_polled_device_shows_when_answers_come() -> None:
    """From a request to the first byte behind it; a command is no request, and nor is a late answer's."""
    text = """
    [protocol]
    columns = [{ is = "thickness", unit = "mm" }]
    [talk]
    start = ["ON"]
    poll = [{ send = "?", every = "20 ms" }]
    """
    description = parse_description(text, "gauge.toml")
    listener = Listener(
        PortSettings(url="socket://gauge:1"),
        decoder=description.decoder(ns_per_byte=0),
        schedule=description.schedule(),
    )
    script: list[tuple[int, bytes, bool | None]] = [
        (0, b"ON", False), (1, b"yes\r\n", None),
        (20, b"?", False), (22, b"5.", None), (25, b"0\r\n", None),
        (40, b"?", False), (140, b"?", True), (150, b"6.0\r\n", None),
        (160, b"?", False), (199, b"7.0\r\n", None),
        (200, b"?", False), (204, b"7.0\r\n", None),
    ]  # fmt: skip
    for at, data, unanswered in script:
        if unanswered is None:
            listener._take_chunk("port", at * 1_000_000, data)
        else:
            listener._take_sent("port", at * 1_000_000, data, unanswered)
    listener.drain()
    snapshot = listener.snapshot()
    assert snapshot.latencies == (2_000_000, 39_000_000, 4_000_000)
    assert "; answers after 2.0 to 39.0 ms (median 4.0); " in summary(snapshot)


@pytest.mark.parametrize("unasked", [False, True])
def test_line_in_which_a_request_was_sent_is_no_record(unasked: bool) -> None:
    """As in a run; a device that also sends by itself may have been within a line."""
    text = f"""
    [protocol]
    columns = [{{ is = "thickness", unit = "mm" }}]
    [talk]
    unasked = {str(unasked).lower()}
    start = ["ON"]
    poll = [{{ send = "?", every = "20 ms" }}]
    """
    description = parse_description(text, "gauge.toml")
    listener = Listener(
        PortSettings(url="socket://gauge:1"),
        decoder=description.decoder(ns_per_byte=0),
        schedule=description.schedule(),
    )
    listener._take_chunk("port", 1, b"4")
    listener._take_sent("port", 2, b"ON", False)
    listener._take_chunk("port", 3, b".0\r\n1")
    listener._take_sent("port", 4, b"?", False)
    listener._take_chunk("port", 5, b"2.41\r\n12.43\r\n")
    listener.drain()
    snapshot = listener.snapshot()
    shown = [dict(record.fields)["thick mm"] for record in snapshot.newest_records]
    assert shown == (["4.000", "12.410", "12.430"] if unasked else ["4.000", "12.430"])
    assert snapshot.faults == ({} if unasked else {"partial": 2})


@pytest.mark.parametrize(("unasked", "missing"), [(False, 0), (True, 148)])
def test_numbers_between_two_answers_are_not_missing(unasked: bool, missing: int) -> None:
    """A device that counts on between polls sends nothing in between; one that also streams may."""
    text = f"""
    [protocol]
    columns = [{{ is = "sequence" }}, {{ is = "thickness", unit = "mm" }}]
    [talk]
    unasked = {str(unasked).lower()}
    poll = [{{ send = "?", every = "20 ms" }}]
    """
    description = parse_description(text, "gauge.toml")
    listener = Listener(
        PortSettings(url="socket://gauge:1"),
        decoder=description.decoder(ns_per_byte=0),
        schedule=description.schedule(),
    )
    listener._take_chunk("port", 0, b"1,5.0\r\n150,5.0\r\n")
    listener.drain()
    assert listener.snapshot().records == 2
    assert listener.snapshot().missing == missing


def test_count_below_zero_is_shown_with_its_sign() -> None:
    """A counter of 16 bits that rolled over below 0; one that sends a sign has one already."""
    for more, shown in ((", bits = 16", "65531 (or -5)"), ("", "65531")):
        text = f'[protocol]\ncolumns = [{{ is = "counts", axis = "scan"{more} }}]\n'
        listener = Listener(
            PortSettings(url="socket://encoder:1"),
            decoder=parse_description(text, "encoder.toml").decoder(ns_per_byte=0),
        )
        listener._take_chunk("port", 0, b"65531\r\n")
        listener.drain()
        assert listener.snapshot().newest_records[-1].fields == (("scan", shown),)


def test_number_common_to_several_kinds_shows_none_missing() -> None:
    """It is counted over all kinds, those that are passed over too."""
    text = """
    [protocol]
    record = [
      { columns = [{ is = "sequence" }, { is = "thickness", unit = "mm" }] },
      { columns = [{ is = "sequence" }, { is = "ignore" }, { is = "ignore" }] },
    ]
    """
    listener = Listener(
        PortSettings(url="socket://gauge:1"),
        decoder=parse_description(text, "gauge.toml").decoder(ns_per_byte=0),
    )
    for number in range(1, 101, 2):
        lines = f"{number},5.0\r\n{number + 1},a,b\r\n" if number != 51 else ""
        listener._take_chunk("port", number, lines.encode())
    listener.drain()
    snapshot = listener.snapshot()
    assert (snapshot.records, snapshot.ignored, snapshot.missing) == (49, 49, 2)


def test_view_of_a_silent_port_says_what_to_look_for() -> None:
    """No empty table: what may be wrong, and that some devices have to be asked."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        settings = PortSettings(url=f"socket://127.0.0.1:{server.getsockname()[1]}")
        with Listener(settings) as listener:
            wait_until(lambda: said(listener).state == "open", "open")
            snapshot = listener.snapshot()
    out = io.StringIO()
    console = Console(file=out, width=200, height=20, force_terminal=True, color_system=None)
    with LivePicture(console, title="a port") as picture:
        picture.show(snapshot)
    assert "no byte yet: is the device on" in out.getvalue()
    assert "0 bytes in 0 chunks" in summary(snapshot)


def test_quoted_is_text_where_it_can_be() -> None:
    """Commands as texts, requests in binary as hex."""
    assert quoted(b"MEAS?\r\n") == r"'MEAS?\r\n'"
    assert quoted(b"\x05\x03\x00\x10\x00\x03\x05\x8a") == "05 03 00 10 00 03 05 8a"
    assert quoted(b"") == "''"


def test_readable_shows_control_characters() -> None:
    """One character for each byte."""
    assert readable(b"A\r\n\x02\x7f\xff~") == "A␍␊␂··~"


def test_what_waits_of_a_flood_is_bounded_and_all_of_it_comes() -> None:
    """A megabyte at most: the thread waits, and a thread that waits ends as the port is closed."""
    listener = Listener(PortSettings(url="socket://127.0.0.1:1"))
    piece = bytes(64 << 10)

    def send() -> None:
        for number in range(40):
            listener._take_chunk("port", number, piece)

    sender = threading.Thread(target=send)
    sender.start()
    wait_until(listener._full, "a full queue")
    assert 1 << 20 <= listener._put_bytes < (1 << 20) + len(piece)
    while listener.snapshot().bytes < 20 * len(piece):
        listener.drain(most=3)
    assert listener._put_bytes - listener.snapshot().bytes < (1 << 20) + len(piece)
    listener.close()
    sender.join(20)
    assert not sender.is_alive()
