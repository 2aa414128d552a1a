"""What the machine's port sends is bounded while the loop takes nothing, and what is not kept is counted."""

from __future__ import annotations

from pathlib import Path

from support.crawl import crawl_station
from swathe.journal import Chunk, Entry, PortChange, Sent
from swathe.live.crawl.drive import Drive
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_entries import MachineEntries
from swathe.station import parse_station

S = 1_000_000_000


def taken(entries: MachineEntries) -> list[Entry]:
    """Return what the loop takes now."""
    found: list[Entry] = []
    entries.take(found.append)
    return found


def test_entries_are_handed_over_in_their_order_once() -> None:
    """Bytes, what was sent and changes of the port keep their order, and none comes twice."""
    entries = MachineEntries()
    entries.put_change("motion", 1, "open", "is open")
    entries.append(Sent(2, "motion", b"?"))
    entries.put_chunk("motion", 3, b"<Idle>")
    opened = PortChange(1, "motion", "open", "is open")
    assert taken(entries) == [opened, Sent(2, "motion", b"?"), Chunk(3, "motion", b"<Idle>")]
    assert taken(entries) == []


def test_bytes_beyond_the_bound_are_counted_and_journalled() -> None:
    """The port counts as lost, then as open with what is missing; texts that were sent find room."""
    entries = MachineEntries(most_bytes=10)
    for at in range(5):
        entries.put_chunk("motion", at * S, b"1234")
    entries.append(Sent(5 * S, "motion", b"!"))
    found = taken(entries)
    assert [one for one in found if isinstance(one, Chunk)] == [
        Chunk(0, "motion", b"1234"),
        Chunk(S, "motion", b"1234"),
    ]
    text = "the loop takes nothing and 8 bytes wait: bytes are not kept"
    assert found[2:] == [PortChange(2 * S, "motion", "lost", text), Sent(5 * S, "motion", b"!")]
    entries.put_chunk("motion", 6 * S, b"after")
    assert taken(entries) == [
        PortChange(6 * S, "motion", "open", "12 bytes of 4.0 s were not kept"),
        Chunk(6 * S, "motion", b"after"),
    ]
    entries.put_chunk("motion", 7 * S, b"later")
    assert taken(entries) == [Chunk(7 * S, "motion", b"later")]


def test_many_chunks_of_few_bytes_are_bounded_too() -> None:
    """Objects take memory as well as bytes do."""
    entries = MachineEntries(most_chunks=3)
    for at in range(5):
        entries.put_chunk("motion", at, b"x")
    assert [type(one) for one in taken(entries)] == [Chunk] * 3 + [PortChange]
    entries.put_chunk("motion", 5, b"y")
    found = taken(entries)
    assert found[1] == Chunk(5, "motion", b"y")


def test_port_that_closes_meanwhile_states_what_is_missing() -> None:
    """The count is not lost with a port that delivers nothing more."""
    entries = MachineEntries(most_bytes=1)
    entries.put_chunk("motion", S, b"12345")
    entries.put_change("motion", 3 * S, "closed", "closed by the user")
    text = "closed by the user; 5 bytes of 2.0 s were not kept"
    assert taken(entries)[-1] == PortChange(3 * S, "motion", "closed", text)
    entries.put_change("motion", 4 * S, "open", "is open")
    assert taken(entries) == [PortChange(4 * S, "motion", "open", "is open")]


def test_drive_reads_a_machine_that_floods_while_the_loop_is_held_up(tmp_path: Path) -> None:
    """What waits for the journal is bounded, and the last answer is known all the same."""
    motion = parse_station(crawl_station(tmp_path), "x").motion
    assert motion is not None
    drive = Drive(motion, HostWatch())
    block = b"\x00" * 65_536 + b"\n"
    for at in range(20):
        drive._port._take("motion", at * S, block)
    drive._port._take("motion", 20 * S, b"X:5.000 Y:7.000\n")
    assert drive.report is not None
    assert drive.report.place == (5.0, 7.0)
    kept = sum(len(one.data) for one in taken(drive.entries) if isinstance(one, Chunk))
    assert 900_000 < kept <= 1 << 20 < 20 * len(block)
