"""A calibration check within a run: the scan pauses, and a probe that a hand carried has no position."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daemon.handmade import MS, START, Motion, feed, opened, run, station, station_text
from swathe.journal import Entry, Mark, MarkKind
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.slip import Slip
from swathe.station import AlarmKind

TEXT = station_text()
BEGUN: dict[str, Any] = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B-7"}


def mark(ms: int, kind: MarkKind, **detail: Any) -> Mark:
    """Return a mark at a time in ms."""
    return Mark(START + ms * MS, kind, detail)


def there(first: int, begin: float, wall: float = 10.0) -> Motion:
    """Return a motion of 10 mm in 500 ms from `begin` mm on."""
    return Motion(lambda ms: (begin + (ms - first) / 50,), lambda _: wall, first, first + 500)


def on_block(first: int, read: float, *, counts: float) -> list[Entry]:
    """Return 100 ms of readings, at which the counter is at `counts` mm."""
    return list(Motion(lambda _: (counts,), lambda _: read, first, first + 100).entries())


def check(
    first: int,
    *reads: float,
    counts: float,
    end: MarkKind = MarkKind.CHECK_ENDED,
    off_part: bool = True,
) -> list[Entry]:
    """Return a check in a run, of a step of 12 mm that is read once for each value."""
    where = {"off_part": True} if off_part else {}
    entries: list[Entry] = [
        mark(first, MarkKind.PAUSED, by="K", because="calibration check"),
        mark(first, MarkKind.CHECK_BEGUN, **BEGUN, **where),
    ]
    for read in reads:
        entries += on_block(first + 1, read, counts=counts)
        times = {"begin": START + first * MS, "end": START + (first + 100) * MS}
        first += 110
        entries.append(mark(first, MarkKind.CHECK_STEP, thickness=12.0, step=1, **times))
    return [
        *entries,
        mark(first + 5, end, **({} if end is MarkKind.CHECK_ENDED else {"by": "K", "because": ""})),
        mark(first + 5, MarkKind.RESUMED, by="K"),
    ]


def measured(pipeline: Pipeline) -> list[int]:
    """Return the measured cells."""
    return np.flatnonzero(pipeline.grid.state == CellState.MEASURED).tolist()


def positions(pipeline: Pipeline) -> list[tuple[str, bool]]:
    """Return text of each alarm of a lost position, and whether it lasts."""
    kinds = [one for one in pipeline.alarms.alarms if one.kind is AlarmKind.POSITION]
    return [(one.detail, one.until is None) for one in kinds]


def test_counts_of_a_carried_probe_place_nothing_until_its_place_is_given() -> None:
    """What is read on the block and after it counts for no cell; from the reference on it does."""
    pipeline = run(TEXT, there(0, -0.5).entries(), check(600, 12.0, counts=14.0))
    assert measured(pipeline) == [*range(10)]
    assert pipeline.position[0] is None
    feed(pipeline, there(1000, 14.0).entries())  # the counter goes on from 14 mm
    assert measured(pipeline) == [*range(10)]
    assert pipeline.lost_axes == ("scan",)
    feed(pipeline, Motion(lambda _: (24.0,), lambda _: 10.0, 1510, 1700).entries())
    feed(pipeline, [mark(1701, MarkKind.REFERENCED, scan=11.0, by="K")])
    feed(
        pipeline,
        Motion(lambda ms: (24.0 + (ms - 1710) / 50,), lambda _: 10.0, 1710, 2000).entries(),
    )
    assert [cell for cell in measured(pipeline) if cell > 9] == [*range(11, 18)]
    assert not pipeline.lost_axes
    (made,) = pipeline.suspect_cells.checks.checks
    assert made.passed


@pytest.mark.parametrize(
    ("counts", "words"), [(9.48, "is where it was"), (14.0, "counted on meanwhile")]
)
def test_alarm_asks_for_the_place_and_gives_the_last_one(counts: float, words: str) -> None:
    """It names where the probe left the part, and whether its counter has moved since."""
    pipeline = run(
        TEXT,
        there(0, -0.5).entries(),
        check(600, 12.0, counts=counts),
        there(900, counts).entries(),
    )
    ((text, lasts),) = positions(pipeline)
    assert lasts
    assert text.startswith("scan position lost at 9.5 mm: the probe was carried to the block, its ")
    assert f"its counter {words}; put the probe at a known place and give it" in text


def test_counter_that_jumps_in_a_hand_is_asked_about_as_carried() -> None:
    """The alarm of the jump ends in that of the carried probe: one, with where it left the part."""
    text = station_text(scan='max_speed = "100 mm/s"')
    jump = check(600, 12.0, 12.0, counts=90.0)
    pipeline = run(text, there(0, -0.5).entries(), jump, there(1000, 90.0).entries())
    ((detail, lasts),) = positions(pipeline)
    assert lasts
    assert detail.startswith("scan position lost at 9.5 mm: the probe was carried to the block")


def test_second_check_without_a_place_in_between_keeps_to_where_the_probe_left() -> None:
    """The counter on the block is no place on the part: the alarm says nothing of it."""
    pipeline = run(TEXT, there(0, -0.5).entries(), check(600, 12.3, counts=14.0))
    feed(pipeline, check(900, 12.0, counts=17.0))
    feed(pipeline, there(1200, 17.0).entries())
    ((detail, lasts),) = positions(pipeline)
    assert lasts
    assert detail.startswith("scan position lost at 9.5 mm: the probe was carried to the block")


def test_check_given_up_does_not_count_and_loses_the_place_as_well() -> None:
    """The probe was off the part; of the check nothing is left."""
    pipeline = run(
        TEXT,
        there(0, -0.5).entries(),
        check(600, 15.0, counts=9.5, end=MarkKind.CHECK_GIVEN_UP),
    )
    assert pipeline.suspect_cells.checks.checks == []
    assert not pipeline.suspect_cells.checks.in_progress
    assert pipeline.lost_axes == ("scan",)
    assert measured(pipeline) == [*range(10)]


def test_check_that_a_crawler_makes_keeps_the_position() -> None:
    """A probe that is driven to its step is followed by its encoder all the way."""
    pipeline = run(
        TEXT,
        there(0, -0.5).entries(),
        check(600, 12.0, counts=9.5, off_part=False),
        there(1000, 9.5).entries(),
    )
    assert not pipeline.lost_axes
    assert measured(pipeline) == [*range(20)]


def test_step_read_again_counts_as_read_last_and_says_so() -> None:
    """The wrong step was read first: the verdict is of the second reading, and both are stated."""
    pipeline = run(TEXT, there(0, -0.5).entries(), check(600, 15.0, 12.02, counts=9.5))
    (made,) = pipeline.suspect_cells.checks.checks
    ((step),) = made.steps
    assert made.passed
    assert step.measured == pytest.approx(12.02, abs=1e-3)
    assert step.redone == 1
    assert measured(pipeline) == [*range(10)]


def test_run_killed_within_a_check_resumes_paused_and_without_a_place() -> None:
    """The check does not count; nobody knows where the probe is, and readings wait for a person."""
    killed = check(600, 15.0, counts=9.5)[:-2]
    pipeline = run(TEXT, there(0, -0.5).entries(), killed)
    feed(pipeline, [opened(TEXT, time=START + 1500 * MS), *there(1600, 9.5).entries()])
    assert pipeline.suspect_cells.checks.checks == []
    assert not pipeline.suspect_cells.checks.in_progress
    assert pipeline.pauses.active
    assert pipeline.lost_axes == ("scan",)
    assert measured(pipeline) == [*range(10)]
    ((text, _),) = positions(pipeline)
    assert text.startswith("scan position was lost in a calibration check of the run before")


def test_two_sources_that_part_while_a_hand_has_the_probe_are_no_slip() -> None:
    """What parted before the probe left the part is one; the comparison begins again after."""
    made = station(TEXT)
    inputs = DeviceInputs(made, {})
    before, after = (Slip("scan", 0, at, 300, 5.0, 9.0) for at in (99, 100))
    inputs.leave_part(100)
    inputs._slip_events += [before, after]
    assert inputs.take_slip_events() == [before]
    inputs.return_to_part(200)
    inputs._slip_events += [after]
    assert inputs.take_slip_events() == [after]


def test_failed_check_in_a_run_makes_suspect_what_was_read_since_the_last_pass() -> None:
    """The first stretch is vouched for by a check that passed; the second one is not."""
    pipeline = run(TEXT, there(0, -0.5).entries(), check(600, 12.0, counts=9.5, off_part=False))
    feed(pipeline, there(1000, 9.5).entries())
    feed(pipeline, check(1600, 12.3, counts=19.5))
    state = pipeline.grid.state
    assert np.flatnonzero(state == CellState.SUSPECT).tolist() == [*range(10, 20)]
    assert measured(pipeline) == [*range(10)]
