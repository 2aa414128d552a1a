"""Cells where what the gauge sent could not be read: nobody knows whether it had an echo."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_STEPPED,
    MS,
    START,
    Motion,
    feed,
    opened,
    port,
    run,
    station,
    station_text,
    ticks,
)
from daemon.pipeline.test_unplaced_cells import causes
from daemon.polled import driver_table
from swathe.journal import Chunk, Entry, Lost, Sent
from swathe.journal.damage import Damage, DamageKind
from swathe.pipeline import CellState, GapCause, Pipeline
from swathe.pipeline.placing.unread_times import UnreadTimes

TEXT = station_text(scan_length=60)
BEGIN, END = 1000, 1300  # ms; 20 mm/s, a cell in 50 ms


def scanned(
    *, speed: int = 50, reading_ms: int = 5, wall: Callable[[int], float | str | None] | None = None
) -> list[Entry]:
    """Return what two devices send, `speed` ms for each mm."""
    until = 60 * speed
    motion = Motion(
        lambda ms: (ms / speed,), wall or (lambda _: 10.0), 0, until, reading_ms=reading_ms
    )
    return [*motion.entries(), *ticks(until + 50, until + 2500)]


def damaged(entries: list[Entry], name: str, begin: int = BEGIN, end: int = END) -> list[Entry]:
    """Flip one bit in each line of a port in these ms."""
    return [
        one._replace(data=one.data[:2] + bytes([one.data[2] ^ 1]) + one.data[3:])
        if isinstance(one, Chunk) and one.port == name and begin <= (one.time - START) / MS < end
        else one
        for one in entries
    ]


def without(entries: list[Entry], name: str, begin: int = BEGIN, end: int = END) -> list[Entry]:
    """Leave out the lines of a port in these ms."""
    return [
        one
        for one in entries
        if not (
            isinstance(one, Chunk) and one.port == name and begin <= (one.time - START) / MS < end
        )
    ]


def cells(pipeline: Pipeline, state: CellState) -> list[int]:
    """Return the cells in a state."""
    found: list[int] = np.flatnonzero(pipeline.grid.state == state).tolist()
    return found


def test_damaged_lines_are_no_missing_echo() -> None:
    """The gauge read all the time; its lines did not arrive whole."""
    pipeline = run(TEXT, damaged(scanned(), "gauge"))
    assert causes(pipeline) == {GapCause.UNREAD: 5}
    assert str(GapCause.UNREAD) == "readings not received"
    assert cells(pipeline, CellState.UNCERTAIN) == list(range(21, 26))
    assert cells(pipeline, CellState.NO_SIGNAL) == []


def test_damaged_lines_are_no_missing_echo_on_a_line_that_is_set_by_hand() -> None:
    """The path through the lines keeps what could not be read."""
    text = station_text(scan_length=60, index=INDEX_STEPPED.format(length=2, advance="return"))
    pipeline = run(text, damaged(scanned(), "gauge"))
    assert cells(pipeline, CellState.UNCERTAIN) == list(range(21, 26))
    assert cells(pipeline, CellState.NO_SIGNAL) == []


def test_port_that_was_away_is_no_missing_echo() -> None:
    """Until it is open again, and no longer."""
    entries = without(scanned(), "gauge")
    away = [port(BEGIN, "gauge", "lost", "unplugged"), port(END - 20, "gauge", "open")]
    pipeline = run(TEXT, sorted([*entries, *away], key=lambda one: one.time))
    assert causes(pipeline) == {GapCause.UNREAD: 5}
    # A later silence is one.
    again = without(entries, "gauge", 2000, 2300)
    pipeline = run(TEXT, sorted([*again, *away], key=lambda one: one.time))
    assert causes(pipeline) == {GapCause.UNREAD: 5, GapCause.NO_SIGNAL: 5}


def test_silence_and_readings_without_an_echo_are_no_signal() -> None:
    """Also where a line of the encoder is damaged, or one of the gauge's before and after."""
    silent = without(scanned(), "gauge")
    assert causes(run(TEXT, silent)) == {GapCause.NO_SIGNAL: 5}
    for name, begin in (("encoder", 1100), ("gauge", 900), ("gauge", 1400)):
        hit = damaged(silent, name, begin, begin + 5)
        assert causes(run(TEXT, hit)) == {GapCause.NO_SIGNAL: 5}, (name, begin)
    without_echo = scanned(wall=lambda ms: "N" if BEGIN <= ms < END else 10.0)
    assert set(causes(run(TEXT, damaged(without_echo, "gauge", 1100, 1105)))) == {
        GapCause.NO_SIGNAL
    }


def test_one_damaged_line_leaves_the_cells_around_it_open() -> None:
    """Between two readings two cells are too fast, and here nobody knows."""
    entries = scanned(speed=25, reading_ms=50)
    assert set(causes(run(TEXT, entries))) == {GapCause.TOO_FAST}
    pipeline = run(TEXT, damaged(entries, "gauge", 700, 705))
    missing = pipeline.grid.missing(np.arange(61))
    assert np.flatnonzero(pipeline.grid.unread & missing).tolist() == [27, 28, 29]
    assert causes(pipeline)[GapCause.UNREAD] == 3


def test_bytes_that_the_journal_lost_are_no_missing_echo() -> None:
    """What is not in the journal any more was received by nobody who reads it."""
    entries = without(scanned(), "gauge")
    at = next(k for k, one in enumerate(entries) if one.time >= START + BEGIN * MS)
    damage = Damage(1, "0001.mcap", DamageKind.UNREADABLE, "4 chunks are damaged", chunks=4)
    lost = Lost(START + BEGIN * MS, damage, until=START + END * MS, bytes_lost=True)
    pipeline = run(TEXT, [*entries[:at], lost, *entries[at:]])
    assert GapCause.NO_SIGNAL not in causes(pipeline)


def test_request_without_an_answer_is_no_missing_echo() -> None:
    """The gauge may have had one."""
    before, _, _ = TEXT.partition("[device.gauge]")
    table = driver_table("text", "thickness")
    text = f'{before}[device.gauge]\nport = "ports/gauge"\nbaud = 115200\n{table}'
    motion = Motion(lambda ms: (ms / 50,), lambda _: None, 0, 3000)
    asked: list[Entry] = []
    for ms in range(0, 3000, 20):
        time = START + ms * MS
        asked.append(Sent(time, "gauge", b"M?\r\n", unanswered=False))
        if BEGIN <= ms < END:
            asked.append(Sent(time + 15 * MS, "gauge", b"M?\r\n", unanswered=True))
        else:
            asked.append(Chunk(time + 5 * MS, "gauge", b"10.00\r\n"))
    entries = [*motion.entries(), *asked]
    pipeline = run(text, sorted(entries, key=lambda one: one.time), ticks(3050, 5500))
    assert causes(pipeline)[GapCause.UNREAD] == 5
    assert GapCause.NO_SIGNAL not in causes(pipeline)


@pytest.mark.parametrize("join", [1, 7])
def test_cause_does_not_depend_on_batches(join: int) -> None:
    """More faults than a batch names, in lines that come singly or many at a time."""
    entries = damaged(scanned(reading_ms=2), "gauge", 800, 2000)
    entries = damaged(entries, "gauge", 2100, 2102)
    if join > 1:  # a gauge whose bytes come in pieces that end anywhere
        gauge = [one for one in entries if isinstance(one, Chunk) and one.port == "gauge"]
        data = b"".join(one.data for one in gauge)
        step = 31 * join
        times = [one.time for one in gauge for _ in one.data]
        pieces = [
            Chunk(times[min(at + step, len(data)) - 1], "gauge", data[at : at + step])
            for at in range(0, len(data), step)
        ]
        entries = [*(one for one in entries if one not in gauge), *pieces]
        entries.sort(key=lambda one: one.time)
    live = Pipeline(station(TEXT))
    live.feed(opened(TEXT))
    feed(live, entries)
    whole = Pipeline(station(TEXT))
    whole.collect_all([opened(TEXT), *entries])
    whole.advance()
    assert np.count_nonzero(live.grid.unread) >= 20
    assert np.array_equal(live.grid.unread, whole.grid.unread)
    assert np.array_equal(live.grid.state, whole.grid.state)


def test_moments_are_found_in_spans() -> None:
    """Ends included; a port that is away has no end yet; what nobody asks for is dropped."""
    times = UnreadTimes()
    first, last = np.array([0, 10, 11, 30, 50]), np.array([9, 10, 19, 40, 60])
    assert not times.within(first, last).any()
    times.add([20])
    times.add([10])
    assert times.within(first, last).tolist() == [False, True, False, False, False]
    times.set_away(35, away=True)
    times.set_away(36, away=True)
    assert times.within(first, last).tolist() == [False, True, False, True, True]
    times.set_away(45, away=False)
    times.set_away(70, away=False)
    assert times.within(first, last).tolist() == [False, True, False, True, False]
    times.add([12], 25)
    times.forget(11)
    assert times.within(first, last).tolist() == [False, False, True, True, False]
    assert times.within(np.array([21, 26]), np.array([24, 27])).tolist() == [True, False]
