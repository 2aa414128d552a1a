"""Checks of the calibration: what they put in doubt, and what takes the doubt away."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from daemon.handmade import (
    MS,
    START,
    UTC,
    Motion,
    ended,
    feed,
    feed_noting,
    opened,
    run,
    station_text,
    ticks,
)
from swathe.journal import Entry, Mark, MarkKind
from swathe.messages import moment
from swathe.pipeline import CellState, GapCause, GapEnd, GapSnapshot, Pipeline

TEXT = station_text()
NUMBER_OF_CELLS = 21


def there(first: int, wall: float = 10.0, *, back: bool = False) -> Motion:
    """Return a pass over all cells in 1.2 s, which begins `first` ms after the start."""

    def place(ms: int) -> tuple[float]:
        at = (ms - first) / 50 - 1
        return (19 - at + 2,) if back else (at,)

    return Motion(place, lambda _: wall, first, first + 1150)


def check(first: int, read: dict[float, float | str], *, tolerance: float = 0.1) -> list[Entry]:
    """Return a check that begins `first` ms after the start and reads each step for 100 ms."""
    detail: dict[str, Any] = {
        "phase": "interval",
        "by": "A. Kern",
        "tolerance": tolerance,
        "block": "B-7",
    }
    entries: list[Entry] = [Mark(START + first * MS, MarkKind.CHECK_BEGUN, detail)]
    at = first
    for thickness, found in read.items():
        motion = Motion(lambda _: None, lambda _, found=found: found, at + 1, at + 100)  # type: ignore[misc]
        entries += motion.entries()
        times = {"begin": START + at * MS, "end": START + (at + 100) * MS}
        at += 100
        step = {"thickness": thickness, **times}
        entries.append(Mark(START + at * MS, MarkKind.CHECK_STEP, step))
    return [*entries, Mark(START + (at + 1) * MS, MarkKind.CHECK_ENDED, {})]


def override(ms: int, number: int) -> Mark:
    """Return the mark that lets a check not count."""
    detail = {"check": number, "by": "B. Rot", "because": "the wrong step was read"}
    return Mark(START + ms * MS, MarkKind.CHECK_OVERRIDDEN, detail)


GOOD: dict[float, float | str] = {12.0: 12.05, 5.0: 4.96}
BAD: dict[float, float | str] = {12.0: 12.25, 5.0: 5.02}


def states(pipeline: Pipeline) -> dict[CellState, int]:
    """Return how many cells are in each state."""
    values, counts = np.unique(pipeline.grid.state, return_counts=True)
    return {CellState(v): int(n) for v, n in zip(values.tolist(), counts.tolist(), strict=True)}


def newest(told: list[tuple[int, GapSnapshot]]) -> dict[int, GapSnapshot]:
    """Return the newest note of each gap."""
    return {note.number: note for _, note in told}


def test_check_passed_says_what_each_step_read() -> None:
    """A check's readings belong to no cell, and its steps have mean, spread and deviation."""
    pipeline = run(TEXT, check(0, GOOD), there(1000).entries())
    (made,) = pipeline.suspect_cells.checks.checks
    assert made.passed
    assert (made.number, made.by, made.block, made.suspects) == (1, "A. Kern", "B-7", 0)
    assert [step.measured for step in made.steps] == pytest.approx([12.05, 4.96], abs=1e-4)
    assert [step.readings for step in made.steps] == [20, 20]
    assert made.worst == pytest.approx(0.05, abs=1e-4)
    assert made.time == UTC + 201 * MS
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}
    assert pipeline.grid.thickness == pytest.approx(np.full(NUMBER_OF_CELLS, 10.0), abs=1e-4)
    assert pipeline.progress().unplaced <= 1


def test_check_failed_what_was_read_since_the_pass_is_suspect() -> None:
    """Only cells read after the last pass become suspect; they are gaps, and coverage falls."""

    def half(ms: int) -> tuple[float]:
        return (min((ms - 2000) / 50 - 1, 9.0),)

    pipeline = run(TEXT, check(0, GOOD), there(500).entries(), check(1700, GOOD))
    before = pipeline.progress().measured
    told = feed_noting(pipeline, Motion(half, lambda _: 9.0, 2000, 3000).entries())
    told += feed_noting(pipeline, check(3100, BAD))
    made = pipeline.suspect_cells.checks.checks[-1]
    assert not made.passed
    assert made.worst == pytest.approx(0.25, abs=1e-4)
    assert states(pipeline) == {CellState.SUSPECT: 10, CellState.MEASURED: 11}
    assert (before, pipeline.progress().measured, made.suspects) == (NUMBER_OF_CELLS, 11, 10)
    assert pipeline.progress().suspect == 10
    (gap,) = newest(told).values()
    assert (gap.is_open, gap.cause, gap.cells) == (True, GapCause.SUSPECT, 10)
    assert pipeline.line_snapshot(0).missing == ((-0.5, 9.5),)


def test_check_failed_without_any_pass_all_is_suspect() -> None:
    """Nothing vouches for what was read before the first check."""
    pipeline = run(TEXT, there(0).entries(), check(1500, BAD))
    assert states(pipeline) == {CellState.SUSPECT: NUMBER_OF_CELLS}


def test_readings_in_doubt_are_suspect_until_a_check_passes() -> None:
    """After a failed check new cells are suspect, sound ones take no reading, and rereading mends."""
    pipeline = run(TEXT, check(0, BAD), there(500, wall=8.0).entries())
    assert states(pipeline) == {CellState.SUSPECT: NUMBER_OF_CELLS}
    assert pipeline.suspect_cells.checks.checks[0].suspects == NUMBER_OF_CELLS
    told = feed_noting(pipeline, check(1800, GOOD))
    assert states(pipeline) == {CellState.SUSPECT: NUMBER_OF_CELLS}
    told += feed_noting(pipeline, there(2200, wall=10.0, back=True).entries())
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}
    # The doubtful 8 mm are gone from the cell, and from the least thickness as well.
    assert pipeline.grid.thickness == pytest.approx(np.full(NUMBER_OF_CELLS, 10.0), abs=1e-4)
    assert pipeline.grid.hits.max() <= 11
    assert pipeline.progress().minimum == pytest.approx(10.0, abs=1e-4)
    assert all(note.end is GapEnd.MEASURED for note in newest(told).values())


def test_sound_cells_take_no_doubtful_reading() -> None:
    """What was measured before the last pass stays as it was under a failed check."""
    pipeline = run(TEXT, there(0).entries(), check(1300, GOOD), check(1700, BAD))
    feed(pipeline, there(2000, wall=3.0, back=True).entries())
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}
    assert pipeline.grid.thickness.min() == pytest.approx(10.0, abs=1e-4)


def test_check_overridden_cells_are_measured_again() -> None:
    """A failed check that does not count takes its doubt with it; who said so is kept."""
    pipeline = run(TEXT, there(0).entries(), check(1500, BAD))
    told = feed_noting(pipeline, [*ticks(1750, 1800), override(1900, 1), *ticks(1950, 2000)])
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}
    made = pipeline.suspect_cells.checks.checks[0]
    assert (made.passed, made.overridden_by) == (False, "B. Rot")
    assert pipeline.progress().percent == 100.0
    assert not pipeline.suspect_cells.in_force
    assert all(not note.is_open for note in newest(told).values())


@pytest.mark.parametrize("first", [1, 2])
def test_two_checks_failed_lifting_one_keeps_the_doubt_of_the_other(first: int) -> None:
    """Cells stay suspect until every failed check that covers them was overridden."""
    pipeline = run(TEXT, there(0).entries(), check(1500, BAD), check(2000, BAD))
    feed(pipeline, [override(2500, first)])
    assert states(pipeline) == {CellState.SUSPECT: NUMBER_OF_CELLS}
    assert pipeline.suspect_cells.in_force
    feed(pipeline, [override(2600, 3 - first)])
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}
    assert not pipeline.suspect_cells.in_force


def test_step_without_echo_fails() -> None:
    """A step that showed no echo has no number, and passes nothing."""
    pipeline = run(TEXT, check(0, {12.0: 12.0, 5.0: "N"}))
    (made,) = pipeline.suspect_cells.checks.checks
    assert not made.passed
    assert made.steps[1].readings == 0
    assert np.isnan(made.steps[1].measured)


def test_deviation_of_just_the_tolerance_passes() -> None:
    """The rounding of decimals does not decide."""
    pipeline = run(TEXT, check(0, {12.0: 12.1}, tolerance=0.1 + 5e-7))
    assert pipeline.suspect_cells.checks.checks[0].passed


def test_check_given_up_counts_for_nothing() -> None:
    """A check that never ended, as a kill leaves it, is forgotten by the next run."""
    entries = check(0, BAD)[:-1]
    pipeline = run(TEXT, entries)
    later = 5000
    pipeline.feed(opened(TEXT, time=START + later * MS, utc=UTC + later * MS))
    feed(pipeline, there(later + 100).entries())
    assert pipeline.suspect_cells.checks.checks == []
    assert states(pipeline) == {CellState.MEASURED: NUMBER_OF_CELLS}


def test_check_run_leaves_the_survey_where_it_was() -> None:
    """A run that only checks opens no gap, counts as no run, and does not end the survey anew."""

    def entries() -> Iterator[Entry]:
        yield from there(0).entries()
        yield ended(START + 1300 * MS, "complete")
        opening = opened(TEXT, time=START + 2000 * MS, utc=UTC + 2000 * MS)
        yield Mark(opening.time, opening.kind, {**opening.detail, "purpose": "check"})
        # The probe lies about before it is put on the block: these readings are nobody's.
        yield from Motion(lambda _: None, lambda _: 7.0, 2001, 2100).entries()
        yield from check(2200, BAD)
        yield ended(START + 2800 * MS)

    pipeline = run(TEXT)
    told = feed_noting(pipeline, entries())
    assert pipeline.runs == 1
    assert states(pipeline) == {CellState.SUSPECT: NUMBER_OF_CELLS}
    assert str(pipeline.status) == "incomplete"
    assert pipeline.progress().unplaced <= 1
    (gap,) = newest(told).values()
    assert gap.cause is GapCause.SUSPECT
    feed(pipeline, [override(2900, 1)])
    assert str(pipeline.status) == "complete"


def test_check_is_due_after_the_interval() -> None:
    """The next check is due an interval after the last that passed, and told as overdue then."""
    verification = '\n[verification]\nsteps = ["12 mm"]\ntolerance = "0.1 mm"\ninterval = "1 s"\n'
    pipeline = run(TEXT + verification, check(0, {12.0: 12.0}))
    due = UTC + 1101 * MS
    feed(pipeline, ticks(150, 1100))
    progress = pipeline.progress()
    assert (progress.check_due, progress.check_overdue) == (moment(due), False)
    feed(pipeline, ticks(1150, 1200))
    assert pipeline.progress().check_overdue


def test_rebuild_with_another_calibration_judges_checks_anew() -> None:
    """Checks are judged by the calibration in force: a better one makes the failed check pass."""
    entries: list[Entry] = [*there(0).entries(), *check(1500, {12.0: 12.5, 5.0: 5.2})]
    assert not run(TEXT, entries).suspect_cells.checks.checks[0].passed
    better = Pipeline(
        run(TEXT).station,
        amend=lambda station: station.model_copy(
            update={
                "calibration": station.calibration.model_copy(  # type: ignore[union-attr]
                    update={"velocity": 5.92 * 12.0 / 12.5}
                )
            }
        ),
    )
    feed(better, [opened(TEXT), *entries])
    assert better.suspect_cells.checks.checks[0].passed
    assert states(better) == {CellState.MEASURED: NUMBER_OF_CELLS}
