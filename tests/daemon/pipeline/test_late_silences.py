"""Silences of the gauge that prove to be none: its line was held up for longer than any is waited for."""

from __future__ import annotations

from collections.abc import Sequence

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
from daemon.pipeline.test_unplaced_cells import causes, held_up
from daemon.pipeline.test_unread_cells import cells, damaged, without
from swathe.journal import Chunk, Entry
from swathe.pipeline import CellState, GapCause, Pipeline

TEXT = station_text(scan_length=60)
BEGIN, CAME = 1000, 1400  # ms, what the gauge sends from then on comes so late; a cell in 50 ms


def scanned(without_echo: Sequence[int] = ()) -> list[Entry]:
    """Return what two devices send, a reading each 5 ms; some, by their ms, have no echo."""
    motion = Motion(
        lambda ms: (ms / 50,),
        lambda ms: "N" if ms in without_echo else 10.0,
        0,
        3000,
        reading_ms=5,
    )
    return [*motion.entries(), *ticks(3050, 5500)]


def late(entries: list[Entry]) -> list[Entry]:
    """Hold up what the gauge sends."""
    return held_up(entries, "gauge", BEGIN, CAME)


def test_late_readings_are_placed_and_nothing_else_is_said() -> None:
    """All of them came, whole."""
    pipeline = run(TEXT, late(scanned()))
    assert causes(pipeline) == {}


def test_damaged_among_late_ones_are_no_missing_echo() -> None:
    """By the time they come the path is settled: the gauge was said to be silent."""
    entries = late(damaged(scanned(), "gauge", 1080, 1180))
    cut = next(n for n, one in enumerate(entries) if one.time >= START + 1390 * MS)
    live = Pipeline(station(TEXT))
    live.feed(opened(TEXT))
    feed(live, entries[:cut])
    assert set(causes(live)) == {GapCause.NO_SIGNAL}
    soon = next(n for n, one in enumerate(entries) if one.time >= START + 1520 * MS)
    feed(live, entries[cut:soon])
    assert causes(live) == {GapCause.UNREAD: 2}
    feed(live, entries[soon:])
    assert causes(live) == {GapCause.UNREAD: 2}
    assert cells(live, CellState.UNCERTAIN) == [22, 23]
    assert cells(live, CellState.NO_SIGNAL) == []


def test_damage_of_the_first_late_ones_is_no_missing_echo() -> None:
    """The reading before them was in time."""
    pipeline = run(TEXT, late(damaged(scanned(), "gauge", 1000, 1180)))
    assert causes(pipeline) == {GapCause.UNREAD: 3}


def test_gap_that_changes_no_more_gets_its_other_cause() -> None:
    """The probe rests behind it while the port is away."""
    motion = Motion(lambda ms: (min(ms / 50, 32.0),), lambda _: 10.0, 0, 3000, reading_ms=5)
    entries = late(without([*motion.entries(), *ticks(3050, 5500)], "gauge", 1200, 2600))
    away = [port(1401, "gauge", "lost"), port(2590, "gauge", "open")]
    entries = sorted([*entries, *away], key=lambda one: one.time)
    cut = next(n for n, one in enumerate(entries) if one.time >= START + 2590 * MS)
    live = Pipeline(station(TEXT))
    live.feed(opened(TEXT))
    feed(live, entries[:cut])
    assert GapCause.NO_SIGNAL in causes(live)
    soon = next(n for n, one in enumerate(entries) if one.time >= START + 2800 * MS)
    feed(live, entries[cut:soon])
    assert set(causes(live)) == {GapCause.UNREAD}


def test_gap_that_is_passed_again_has_the_cause_of_then() -> None:
    """Too fast at first; then there is no echo."""

    def place(ms: int) -> tuple[float]:
        return (ms / 5 if ms < 300 else 60 if ms < 1000 else max(80 - ms / 50, 20),)

    def wall(ms: int) -> float | str:
        return 10.0 if ms < 1000 else "N"

    motion = Motion(place, wall, 0, 4000, reading_ms=10)
    pipeline = run(TEXT, [*motion.entries(), *ticks(4050, 6500)])
    state = pipeline.grid.state
    shown: dict[GapCause, int] = {}
    for gap in pipeline.coverage.gaps.open:
        for cause, count in gap.causes.items():
            shown[cause] = shown.get(cause, 0) + count
    assert shown[GapCause.NO_SIGNAL] == np.count_nonzero(state == CellState.NO_SIGNAL) > 15


def test_late_ones_before_the_port_was_away_are_no_missing_echo() -> None:
    """The reading after it is in time; the one before it shows that the line was held up."""
    entries = late(without(scanned(), "gauge", 1200, 1500))
    away = [port(1401, "gauge", "lost"), port(1402, "gauge", "open")]
    pipeline = run(TEXT, sorted([*entries, *away], key=lambda one: one.time))
    assert causes(pipeline) == {GapCause.UNREAD: 5}
    assert cells(pipeline, CellState.NO_SIGNAL) == []


def test_silence_between_late_readings_stays_one() -> None:
    """What came is whole, and has a hole by the gauge's own clock."""
    pipeline = run(TEXT, late(without(scanned(), "gauge", 1080, 1180)))
    assert causes(pipeline) == {GapCause.NO_SIGNAL: 2}


def test_damage_at_the_end_of_a_silence_in_time_takes_nothing_back() -> None:
    """Of a line that is not held up, what is damaged is no older than a reading may be."""
    entries = damaged(without(scanned(), "gauge", 1000, 1500), "gauge", 1500, 1501)
    assert causes(run(TEXT, entries))[GapCause.NO_SIGNAL] >= 7


def test_late_readings_without_a_place_are_unplaced() -> None:
    """The encoder's lines of the same time are lost."""
    pipeline = run(TEXT, late(damaged(scanned(), "encoder", 1080, 1380)))
    found = causes(pipeline)
    assert GapCause.NO_SIGNAL not in found
    assert found[GapCause.UNPLACED] >= 1


def test_cells_between_late_readings_were_passed_too_fast() -> None:
    """A reading in every second cell."""
    motion = Motion(lambda ms: (ms / 5,), lambda _: 10.0, 0, 300, reading_ms=10)
    entries = held_up([*motion.entries(), *ticks(350, 2500)], "gauge", 100, 400)
    found = causes(run(TEXT, entries))
    assert set(found) == {GapCause.TOO_FAST}


def test_reading_without_an_echo_is_evidence_of_its_own() -> None:
    """One of the late ones, in a cell whose other readings were damaged."""
    entries = damaged(scanned([1100]), "gauge", 1075, 1099)
    pipeline = run(TEXT, late(damaged(entries, "gauge", 1101, 1126)))
    assert causes(pipeline) == {GapCause.NO_SIGNAL: 1}


def test_another_silent_pass_is_evidence_of_its_own() -> None:
    """The probe comes back, and the gauge really is silent there."""

    def place(ms: int) -> tuple[float]:
        return (ms / 50 if ms < 2000 else 80 - ms / 50,)

    motion = Motion(place, lambda _: 10.0, 0, 4000, reading_ms=5)
    entries = [*motion.entries(), *ticks(4050, 6500)]
    entries = late(damaged(entries, "gauge", 1080, 1180))
    pipeline = run(TEXT, without(entries, "gauge", 2700, 3000))
    assert causes(pipeline) == {GapCause.NO_SIGNAL: 2}


@pytest.mark.parametrize("hand", [False, True])
def test_cause_does_not_depend_on_batches(hand: bool) -> None:
    """All in one piece, or tick by tick; also where lines are set by hand."""
    index = INDEX_STEPPED.format(length=3, advance="return") if hand else ""
    text = station_text(scan_length=60, index=index)
    entries = late(damaged(scanned(), "gauge", 1080, 1180))
    entries = held_up(entries, "gauge", 2000, 2500)
    live = Pipeline(station(text))
    live.feed(opened(text))
    feed(live, entries)
    whole = Pipeline(station(text))
    whole.collect_all([opened(text), *entries])
    whole.advance()
    assert np.array_equal(live.grid.state, whole.grid.state)
    assert np.array_equal(live.grid.unread, whole.grid.unread)
    assert np.count_nonzero(live.grid.unread) >= 2
    assert not np.any(live.grid.state == CellState.NO_SIGNAL)
    assert isinstance(entries[0], Chunk)
