"""Calibration checks of single probes of a carriage: whose cells a failed one makes suspect."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import pytest

from daemon.handmade import MS, START, UTC, VELOCITY, feed, line, opened, station, ticks
from daemon.pipeline.cutting import Cut, differences, state_after
from daemon.pipeline.test_probes import drive, text_of
from swathe.journal import Chunk, Entry, Mark, MarkKind
from swathe.messages import moment
from swathe.pipeline import CellState, Pipeline
from swathe.station import AlarmKind

SIDE = {"gauge": (0.0, 0.0), "second": (0.0, 3.0)}  # rows 2 and 5
BEHIND = {"gauge": (0.0, 0.0), "second": (8.0, 0.0)}  # the second one goes ahead on the same row
ACROSS = [(-10.0, 2.0), (28.0, 2.0)]
BACK = ACROSS[::-1]
LASTS = 2500  # ms of a pass, with the silence after it
MEASURED, SUSPECT = int(CellState.MEASURED), int(CellState.SUSPECT)


def pass_(
    offsets: dict[str, tuple[float, float]],
    begin: int,
    walls: tuple[float, float] = (10.0, 10.0),
    *,
    legs: list[tuple[float, float]] = ACROSS,
) -> Iterator[Entry]:
    """Yield a pass of both probes, which read these walls, from `begin` ms on."""
    return drive(offsets, legs, lambda number, *_: walls[number], begin=begin, speed=0.1)


def check(
    begin: int,
    probe: int,
    read: float,
    *,
    other: float = 3.0,
    end: MarkKind = MarkKind.CHECK_ENDED,
    **detail: Any,
) -> list[Entry]:
    """Return a check of a probe on a step of 12 mm, while the other one reads something else."""
    names = tuple(SIDE)
    begun = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B-7"}
    begun |= {"probe": probe, "probe_name": names[probe]}
    entries: list[Entry] = [Mark(START + begin * MS, MarkKind.CHECK_BEGUN, begun)]
    for ms in range(begin + 5, begin + 100, 5):
        for number, name in enumerate(names):
            wall = read if number == probe else other
            entries.append(
                Chunk(START + ms * MS, name, line(f"R,{ms},{2 * wall / VELOCITY:.6f},E"))
            )
    times = {"begin": START + begin * MS, "end": START + (begin + 100) * MS}
    step = Mark(START + (begin + 100) * MS, MarkKind.CHECK_STEP, {"thickness": 12.0, **times})
    return [*entries, step, Mark(START + (begin + 101) * MS, end, detail)]


def override(ms: int, number: int) -> Mark:
    """Return the mark that lets a check not count."""
    detail = {"check": number, "by": "R", "because": "the wrong step was read"}
    return Mark(START + ms * MS, MarkKind.CHECK_OVERRIDDEN, detail)


def surveyed(
    offsets: dict[str, tuple[float, float]], *parts: Iterable[Entry], more: str = ""
) -> Pipeline:
    """Return the pipeline after these entries."""
    text = text_of(offsets, more=more)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    for part in parts:
        feed(pipeline, part)
    return pipeline


def states(pipeline: Pipeline, row: int) -> set[int]:
    """Return the states of the cells of a row."""
    return set(pipeline.grid.state.reshape(pipeline.grid.shape)[row].tolist())


def test_a_check_reads_its_probe_only_and_names_it() -> None:
    """What another probe reads meanwhile is nobody's."""
    pipeline = surveyed(SIDE, check(0, 1, 12.05), check(200, 0, 12.0, other=12.3))
    first, second = pipeline.suspect_cells.checks.checks
    assert (first.probe, first.probe_name, first.passed) == (1, "second", True)
    assert (second.probe, second.probe_name, second.passed) == (0, "gauge", True)
    assert first.steps[0].measured == pytest.approx(12.05, abs=1e-4)
    assert first.steps[0].readings == 19


def test_a_failed_check_makes_only_its_own_probes_cells_suspect() -> None:
    """The other one's line stays measured; count, gap, alarm and progress agree."""
    pipeline = surveyed(SIDE, pass_(SIDE, 0), check(3000, 1, 12.5), ticks(3150, 3300))
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {SUSPECT})
    (made,) = pipeline.suspect_cells.checks.checks
    assert (made.suspects, pipeline.suspect_cells.count) == (21, 21)
    first, second = pipeline.progress().probes
    assert (first.suspect, first.check_failed, first.checked) == (0, None, None)
    assert (second.suspect, second.check_failed) == (21, 1)
    (alarm,) = [one for one in pipeline.alarms.alarms if one.kind is AlarmKind.CHECK_FAILED]
    assert alarm.detail == "check 1 of probe second: its readings are suspect"
    assert pipeline.dead_probes == {1}  # as for going back: its readings measure nothing


def test_only_its_own_last_pass_vouches_for_a_probe() -> None:
    """A check that the other probe passed does not."""
    pipeline = surveyed(
        SIDE, check(0, 1, 12.0), pass_(SIDE, 200), check(3000, 0, 12.0), check(3200, 1, 12.5)
    )
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {SUSPECT})
    pipeline = surveyed(
        SIDE, check(0, 1, 12.0), pass_(SIDE, 200), check(3000, 1, 12.0), check(3200, 1, 12.5)
    )
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {MEASURED})


@pytest.mark.parametrize("probe", [0, 1])
def test_a_cell_is_suspect_where_the_reading_that_stands_is_the_probes(probe: int) -> None:
    """Both have read all cells of a row; the thinner reading stands, which is the second probe's."""
    pipeline = surveyed(BEHIND, pass_(BEHIND, 0, (10.0, 9.0)), check(3000, probe, 12.5))
    assert states(pipeline, 2) == ({SUSPECT} if probe else {MEASURED})


def test_the_time_of_the_reading_that_stands_counts_not_that_of_a_later_one() -> None:
    """It was read before its probe passed; what the other probe read since does not stand."""
    pipeline = surveyed(
        BEHIND,
        pass_(BEHIND, 0, (9.0, 10.0)),
        check(3000, 0, 12.0),
        pass_(BEHIND, 3200, (9.5, 9.5), legs=BACK),
        check(6000, 0, 12.5),
    )
    assert states(pipeline, 2) == {MEASURED}
    pipeline = surveyed(
        BEHIND,
        pass_(BEHIND, 0, (9.0, 10.0)),
        check(3000, 0, 12.0),
        pass_(BEHIND, 3200, (8.5, 9.5), legs=BACK),
        check(6000, 0, 12.5),
    )
    assert states(pipeline, 2) == {SUSPECT}


def test_a_mean_rests_on_all_probes_that_read_the_cell() -> None:
    """By the rule `mean` a failed check of either one makes it suspect, but not of one that read elsewhere."""
    for probe in (0, 1):
        pipeline = meant(text_of(BEHIND), pass_(BEHIND, 0, (10.0, 9.0)), check(3000, probe, 12.5))
        assert states(pipeline, 2) == {SUSPECT}
    pipeline = meant(text_of(SIDE), pass_(SIDE, 0), check(3000, 1, 12.5))
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {SUSPECT})
    feed(pipeline, [override(3200, 1)])
    assert states(pipeline, 5) == {MEASURED}


def meant(text: str, *parts: Iterable[Entry]) -> Pipeline:
    """Return the pipeline after these entries, by the rule that takes the mean of a cell's readings."""
    text = text.replace("[survey]", '[survey]\ncell_rule = "mean"', 1)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    for part in parts:
        feed(pipeline, part)
    return pipeline


@pytest.mark.parametrize("failed", [0, 1])
def test_under_a_failed_check_only_sound_readings_count(failed: int) -> None:
    """Whether the suspect one comes to a cell first or last, the sound one's value is there alone."""
    walls = (8.0, 9.0) if failed == 0 else (9.0, 8.0)  # the suspect one reads less
    pipeline = surveyed(BEHIND, check(0, failed, 12.5), pass_(BEHIND, 200, walls))
    assert states(pipeline, 2) == {MEASURED}
    thickness = pipeline.grid.thickness.reshape(pipeline.grid.shape)[2]
    np.testing.assert_allclose(thickness, 9.0, atol=1e-4)
    assert set(pipeline.grid.probe.reshape(pipeline.grid.shape)[2].tolist()) == {1 - failed}
    assert pipeline.grid.hits.max() <= 3
    assert pipeline.progress().minimum == pytest.approx(9.0, abs=1e-4)


def test_under_a_failed_check_a_line_of_its_own_is_suspect_and_counted() -> None:
    """Until the probe passes and reads it again."""
    pipeline = surveyed(SIDE, check(0, 1, 12.5), pass_(SIDE, 200))
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {SUSPECT})
    assert pipeline.suspect_cells.checks.checks[0].suspects == 21
    feed(pipeline, check(3000, 0, 12.0))
    assert pipeline.suspect_cells.in_force  # the other probe's pass ends nothing
    feed(pipeline, check(3200, 1, 12.0))
    assert not pipeline.suspect_cells.in_force
    assert states(pipeline, 5) == {SUSPECT}
    feed(pipeline, pass_(SIDE, 3400, legs=BACK))
    assert states(pipeline, 5) == {MEASURED}
    assert [one.check_failed for one in pipeline.progress().probes] == [None, None]


def test_an_overridden_check_clears_its_own_probes_cells_only() -> None:
    """With both failed, the other one's stay suspect."""
    pipeline = surveyed(SIDE, pass_(SIDE, 0), check(3000, 0, 12.5), check(3200, 1, 12.5))
    assert (states(pipeline, 2), states(pipeline, 5)) == ({SUSPECT}, {SUSPECT})
    assert not pipeline.dead_probes  # none measures, so that none is better than another
    feed(pipeline, [override(3400, 2)])
    assert (states(pipeline, 2), states(pipeline, 5)) == ({SUSPECT}, {MEASURED})
    assert list(pipeline.suspect_cells.checks.failed) == [0]
    feed(pipeline, [override(3500, 1)])
    assert (states(pipeline, 2), states(pipeline, 5)) == ({MEASURED}, {MEASURED})


def test_overriding_an_earlier_failure_keeps_cells_suspect_by_a_later_one() -> None:
    """They were read again under the pass in between, and are suspect by the later check alone."""
    pipeline = surveyed(
        SIDE, pass_(SIDE, 0), check(3000, 1, 12.5), check(3200, 1, 12.0),
        pass_(SIDE, 3400, legs=BACK), check(6400, 1, 12.5), [override(6600, 1)],
    )  # fmt: skip
    assert states(pipeline, 5) == {SUSPECT}
    feed(pipeline, [override(6700, 3)])
    assert states(pipeline, 5) == {MEASURED}


def test_a_probe_is_due_by_its_own_pass_and_later_where_it_was_skipped() -> None:
    """The first one that is due makes the survey's check due; a skip is no pass."""
    more = '\n[verification]\nsteps = ["12 mm"]\ntolerance = "0.1 mm"\ninterval = "1 s"\n'
    pipeline = surveyed(SIDE, check(0, 0, 12.0), check(500, 1, 12.0), ticks(650, 1200), more=more)
    progress = pipeline.progress()
    assert progress.check_due == moment(UTC + 1101 * MS)
    assert [one.check_overdue for one in progress.probes] == [True, False]
    assert [one.checked for one in progress.probes] == [moment(UTC + ms * MS) for ms in (101, 601)]
    given_up = MarkKind.CHECK_GIVEN_UP
    feed(pipeline, check(1300, 0, 12.0, end=given_up, by="K", because="", skipped=True))
    progress = pipeline.progress()
    assert progress.check_due == moment(UTC + 1601 * MS)
    assert [one.check_overdue for one in progress.probes] == [False, False]
    assert progress.probes[0].checked == moment(UTC + 101 * MS)
    feed(pipeline, check(2000, 0, 12.0, end=given_up, by="K", because=""))
    assert [one.check_overdue for one in pipeline.progress().probes] == [False, True]


@pytest.mark.parametrize("rule", ["minimum", "mean"])
def test_result_does_not_depend_on_batches(rule: str) -> None:
    """A failed probe ahead of a sound one over the same cells, and both orders of failing."""
    text = text_of(BEHIND).replace("[survey]", f'[survey]\ncell_rule = "{rule}"', 1)
    entries: list[Entry] = [
        opened(text), *check(0, 1, 12.5), *pass_(BEHIND, 200, (9.0, 8.0)), *check(3000, 0, 12.5),
        *check(3200, 1, 12.0), *pass_(BEHIND, 3400, (8.0, 8.5), legs=BACK), override(6400, 2),
        *ticks(6450, 6600),
    ]  # fmt: skip
    settings = station(text)
    plain = state_after(settings, entries, Cut())
    for seed in (1, 2):
        cut = Cut(seed=seed, added=0.05, removed=0.5, joined=0.3, divided=0.2, advance=0.01)
        assert next(differences(plain, state_after(settings, entries, cut)), None) is None
