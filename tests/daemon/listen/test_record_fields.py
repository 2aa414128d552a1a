"""Records as they are listed: a row for each reading, with the input where there are several."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from drivers.doubles import wait_until
from swathe.listen import Listener, PlainPrinter, PortSnapshot
from swathe.listen.record_fields import newest_records
from swathe_drivers import PortSettings, make_driver
from swathe_drivers.capture import CaptureHeader, CaptureWriter

LINE = {
    "columns": [
        {"is": "sequence"},
        {"is": "counts", "axis": "scan"},
        {"is": "thickness", "unit": "mm", "probe": 2},
        {"is": "thickness", "unit": "mm", "probe": 5, "no_echo": [0]},
    ]
}


def test_each_reading_of_a_record_has_a_row_with_its_input() -> None:
    """All of them with the record's number and its one position."""
    decoder = make_driver("delimited", LINE).decoder(ns_per_byte=0)
    batch = decoder.feed(b"7,100,12.5,12.6\r\n8,101,12.4,0\r\n9,102,1,2\r\n", 5)
    assert newest_records(batch, decoder, 4) == [
        (behind, 5, (("number", n), ("input", probe), ("echo", echo), ("thick mm", d), ("scan", s)))
        for behind, n, probe, echo, d, s in (
            (1, "8", "2", "yes", "12.400", "101"),
            (1, "8", "5", "NO", "–", "101"),
            (0, "9", "2", "yes", "1.000", "102"),
            (0, "9", "5", "yes", "2.000", "102"),
        )
    ]


def test_kinds_of_records_are_numbered_in_the_order_of_their_bytes() -> None:
    """A device with one input shows no number of it."""
    kinds = [
        {"columns": [{"is": "constant", "text": "T"}, {"is": "thickness", "unit": "mm"}]},
        {"columns": [{"is": "constant", "text": "P"}, {"is": "counts", "axis": "scan"}]},
    ]
    decoder = make_driver("delimited", {"record": kinds}).decoder(ns_per_byte=0)
    batch = decoder.feed(b"P,1\r\nT,2\r\nP,3\r\n", 5)
    assert newest_records(batch, decoder, 9) == [
        (2, 5, (("scan", "1"),)),
        (1, 5, (("echo", "yes"), ("thick mm", "2.000"))),
        (0, 5, (("scan", "3"),)),
    ]


def shown(path: Path, lines: Sequence[bytes]) -> tuple[PortSnapshot, str]:
    """Return what a listener knows of lines that a capture has, and what is printed of it."""
    with CaptureWriter(path, CaptureHeader(url="there"), start_ns=0) as writer:
        for number, line in enumerate(lines):
            writer.chunk(number, line)
    decoder = make_driver("delimited", LINE).decoder(ns_per_byte=0)
    text = io.StringIO()
    with Listener(PortSettings(url=f"capture:{path}?pace=fast"), decoder=decoder) as listener:
        wait_until(lambda: listener.drain() >= 0 and listener.ended, "the end")
        snapshot = listener.snapshot()
    PlainPrinter(Console(file=text, width=200)).show(snapshot)
    return snapshot, text.getvalue()


def test_records_are_counted_and_not_readings(tmp_path: Path) -> None:
    """Also those that are missing by their number."""
    lines = (b"7,100,12.5,12.6\r\n", b"9,101,12.4,0\r\n")
    snapshot, text = shown(tmp_path / "gauge.jsonl", lines)
    assert (snapshot.records, snapshot.missing) == (2, 1)
    assert [record.number for record in snapshot.newest_records] == [1, 1, 2, 2]
    assert "record 1: number 7, input 2, echo yes, thick mm 12.500, scan 100\n" in text
    assert "not shown" not in text


def test_records_that_are_not_shown_are_counted(tmp_path: Path) -> None:
    """A hundred rows are kept: fifty records of two readings."""
    lines = [b"%d,100,12.5,12.6\r\n" % number for number in range(60)]
    snapshot, text = shown(tmp_path / "gauge.jsonl", [b"".join(lines)])
    assert len(snapshot.newest_records) == 100
    assert "(10 records not shown)" in text
    assert text.count("record 11:") == 2
    assert "record 10:" not in text
