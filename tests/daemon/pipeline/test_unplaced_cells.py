"""Cells in which a reading was taken that could not be placed: no reading was too seldom there."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_STEPPED,
    MS,
    START,
    Motion,
    Place,
    feed,
    opened,
    run,
    station,
    station_text,
    ticks,
)
from swathe.journal import Chunk, Entry
from swathe.pipeline import CellState, GapCause, Pipeline

TEXT = station_text(scan_length=60)


def scanned(place: Place, *, reading_ms: int = 5, until: int = 3000) -> list[Entry]:
    """Return what two devices send of a motion."""
    motion = Motion(place, lambda _: 10.0, 0, until, reading_ms=reading_ms)
    return [*motion.entries(), *ticks(until + 50, until + 2500)]


def held_up(entries: list[Entry], port: str, begin: int, end: int) -> list[Entry]:
    """Let what a port sends from `begin` on, ms, arrive at `end`, one after the other."""
    changed = [
        Chunk(max(one.time, START + end * MS), one.port, one.data)
        if isinstance(one, Chunk) and one.port == port and one.time >= START + begin * MS
        else one
        for one in entries
    ]
    return sorted(changed, key=lambda one: one.time)  # stable


def causes(pipeline: Pipeline) -> dict[GapCause, int]:
    """Return the cells of the open gaps by cause."""
    found: dict[GapCause, int] = {}
    for gap in pipeline.coverage.gaps.open:
        for cause, count in gap.causes.items():
            found[cause] = found.get(cause, 0) + count
        assert sum(part.cells for part in gap.parts) in (0, gap.size)
    return found


def test_encoder_bytes_a_second_late_are_no_speed() -> None:
    """Ten readings were taken in each cell of these; where was not known in time."""
    entries = held_up(scanned(lambda ms: (ms / 50,)), "encoder", 1000, 2000)
    pipeline = run(TEXT, entries)
    assert causes(pipeline) == {GapCause.UNPLACED: 12}
    assert str(GapCause.UNPLACED) == "reading unplaced"
    state = pipeline.grid.state
    assert np.flatnonzero(state == CellState.UNCERTAIN).tolist() == list(range(21, 33))
    assert not np.any(state == CellState.SKIPPED)


def test_cells_between_two_late_readings_were_passed_too_fast() -> None:
    """A reading in every second cell, by whatever time its position is known."""
    entries = held_up(
        scanned(lambda ms: (min(ms / 25, 60.0),), reading_ms=50), "encoder", 400, 1400
    )
    pipeline = run(TEXT, entries)
    # Of 0.4 to 1.05 s: later ones are placed, as samples around them come within 350 ms.
    assert np.flatnonzero(pipeline.grid.unplaced).tolist() == list(range(16, 43, 2))
    found = causes(pipeline)
    assert found[GapCause.UNPLACED] == 14
    assert set(found) == {GapCause.UNPLACED, GapCause.TOO_FAST}


def test_too_fast_stays_too_fast_where_nothing_is_late() -> None:
    """One reading in two cells, all placed."""
    found = causes(run(TEXT, scanned(lambda ms: (min(ms / 25, 60.0),), reading_ms=50)))
    assert set(found) == {GapCause.TOO_FAST}


def test_cell_is_measured_once_a_reading_there_is_placed() -> None:
    """By a second pass."""

    def place(ms: int) -> tuple[float]:
        return (ms / 50 if ms < 3000 else 120 - ms / 50,)

    entries = held_up(scanned(place, until=6000), "encoder", 1000, 2000)
    pipeline = run(TEXT, entries)
    assert np.all(pipeline.grid.state == CellState.MEASURED)
    assert causes(pipeline) == {}


@pytest.mark.parametrize("hand", [False, True])
def test_cause_does_not_depend_on_batches(hand: bool) -> None:
    """All in one piece, or tick by tick; also where lines are told by hand."""
    index = INDEX_STEPPED.format(length=3, advance="return") if hand else ""
    text = station_text(scan_length=60, index=index)
    entries = held_up(scanned(lambda ms: (ms / 50,)), "encoder", 1000, 2000)
    live = Pipeline(station(text))
    live.feed(opened(text))
    feed(live, entries)
    whole = Pipeline(station(text))
    whole.collect_all([opened(text), *entries])
    whole.advance()
    assert np.array_equal(live.grid.state, whole.grid.state)
    assert np.array_equal(live.grid.unplaced, whole.grid.unplaced)
    assert np.count_nonzero(live.grid.unplaced) >= 12
