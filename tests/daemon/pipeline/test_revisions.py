"""Discarded and moved readings: which ones are meant, what is left of cells and path."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_ENCODED,
    INDEX_STEPPED,
    MS,
    START,
    UTC,
    Motion,
    ended,
    feed,
    opened,
    run,
    station,
    station_text,
    ticks,
)
from daemon.pipeline.cutting import Seen, revisions_of
from swathe.journal import Chunk, Entry, Mark, MarkKind
from swathe.pipeline import CellState, GapCause, Grid, Pipeline, Placed, ProbePath, Revision
from swathe.pipeline.applied_revisions import AppliedRevisions
from swathe.station import AlarmKind, Axis, CellRule
from swathe.store import record_of
from swathe_drivers.records import READING

GRID = Grid(
    scan=Axis("scan", 0.0, 1.0, 21),
    index=Axis("index", 0.0, 5.0, 4),
    rule=CellRule.MINIMUM,
)
ROUND = Grid(
    scan=Axis("scan", 0.0, 1.0, 40, wrapped=True),
    index=Axis("index", 0.0, 5.0, 4),
    rule=CellRule.MINIMUM,
)
ALL = Revision(1, None, None, None, None, None, "K", "slip", time=UTC + 10**12)


def applied(*revisions: Revision, grid: Grid = GRID, offset: int = UTC) -> AppliedRevisions:
    """Return revisions as they apply to the run in which they were made."""
    made = AppliedRevisions(revisions, grid)
    made.open_run(1, offset)
    return made


def readings(times: Sequence[int], scan: Sequence[float], index: Sequence[float]) -> Placed:
    """Return readings of these host times, ns."""
    made = np.zeros(len(times), READING)
    made["time"] = times
    known = np.array(times, np.int64)
    return Placed(made, np.array(scan, float), np.array(index, float), known)


def path(times: Sequence[int], scan: Sequence[float], index: Sequence[float]) -> ProbePath:
    """Return a path through these samples."""
    size, steps = len(times), np.diff(np.array(index, float), prepend=index[0])
    return ProbePath(
        time=np.array(times, np.int64),
        scan=np.array(scan, float),
        index=np.array(index, float),
        known=steps == 0,
        resets=np.zeros(size, bool),
        silent=np.zeros(size, bool),
        settled=np.array(times, np.int64),
        blur=np.zeros((size, 2)),
    )


def left(one: Revision, placed: Placed, *, grid: Grid = GRID, offset: int = UTC) -> list[int]:
    """Return the times of the readings that a discard leaves."""
    times: list[int] = (
        applied(one, grid=grid, offset=offset).placed(placed).readings["time"].tolist()
    )
    return times


def samples(found: ProbePath | None) -> list[tuple[int, bool, bool]]:
    """Return each sample's time, whether the path to it is known, whether none leads to it."""
    if found is None:
        return []
    return list(zip(found.time.tolist(), found.known.tolist(), found.resets.tolist(), strict=True))


def test_stretch_begins_with_its_begin_and_leaves_its_end_out() -> None:
    """To the nanosecond, by UTC: a run's own clock does not matter."""
    placed = readings([99, 100, 101, 199, 200, 201], [1.0] * 6, [0.0] * 6)
    for offset in (UTC, -7, 0):
        one = replace(ALL, begin=offset + 100, end=offset + 200, time=offset + 300)
        assert left(one, placed, offset=offset) == [99, 200, 201]
        one = replace(one, begin=None)
        assert left(one, placed, offset=offset) == [200, 201]


def test_stretch_without_an_end_ends_with_its_mark() -> None:
    """In the mark's own run; of an earlier one all is meant, of a later one nothing."""
    placed = readings([99, 100, 101], [1.0] * 3, [0.0] * 3)
    one = replace(ALL, run=2, time=UTC + 100)
    assert [times_left(one, placed, run=run) for run in (1, 2, 3)] == [
        [],
        [100, 101],
        [99, 100, 101],
    ]
    # An end that is given is one by UTC, but nothing after the mark is meant.
    one = replace(one, end=UTC + 101)
    assert [times_left(one, placed, run=run) for run in (1, 2, 3)] == [
        [101],
        [100, 101],
        [99, 100, 101],
    ]


def test_begin_in_the_present_run_leaves_out_all_earlier_ones() -> None:
    """Whatever their clock said: it may have been ahead."""
    placed = readings([99, 100, 101], [1.0] * 3, [0.0] * 3)
    one = replace(ALL, begin=UTC + 100, run=2)
    assert [times_left(one, placed, run=run) for run in (1, 2)] == [[99], [99]]
    one = replace(one, this_run=True)
    assert [times_left(one, placed, run=run) for run in (1, 2)] == [[99, 100, 101], [99]]


def times_left(one: Revision, placed: Placed, *, run: int) -> list[int]:
    """Return the times of the readings that a discard leaves in a run."""
    made = AppliedRevisions([one], GRID)
    made.open_run(run, UTC)
    times: list[int] = made.placed(placed).readings["time"].tolist()
    return times


def test_stretch_of_scan_positions_has_both_its_borders() -> None:
    """Positions are counts: the one at the border was meant."""
    at = [1.9, 2.0, 3.5, 5.0, 5.1]
    placed = readings(range(5), at, [0.0] * 5)
    assert left(replace(ALL, scan=(2.0, 5.0)), placed) == [0, 4]


def test_stretch_of_scan_positions_may_lead_over_the_seam() -> None:
    """On a pipe: whatever turn the reading is of."""
    at = [36.9, 37.0, 39.9, 40.0, 43.0, 43.1, -3.0, -2.0, 83.0, 84.0]
    placed = readings(range(10), at, [0.0] * 10)
    assert left(replace(ALL, scan=(37.0, 43.0)), placed, grid=ROUND) == [0, 5, 9]


def test_stretch_of_a_line_has_the_readings_of_that_row() -> None:
    """Those outside the plan along the scan axis too, which are of that line as well."""
    placed = readings(range(5), [1.0, 1.0, 1.0, 90.0, 1.0], [2.4, 2.5, 7.4, 5.0, 7.5])
    assert left(replace(ALL, line=1), placed) == [0, 4]


def test_conditions_hold_together() -> None:
    """Each by itself is not enough."""
    placed = readings(range(4), [1.0, 9.0, 1.0, 1.0], [0.0, 0.0, 5.0, 0.0])
    one = replace(ALL, begin=UTC, end=UTC + 3, line=0, scan=(0.0, 5.0))
    assert left(one, placed) == [1, 2, 3]


def test_readings_are_counted_batch_by_batch() -> None:
    """However they are cut; readings of no stretch count for none."""
    moved = replace(ALL, number=4, line=0, to_line=2)
    both = applied(replace(ALL, line=1), moved)
    for first in (0, 3):
        both.placed(readings([first, first + 1, first + 2], [1.0] * 3, [0.0, 5.0, 0.0]))
    assert (both.readings(1), both.readings(4), both.readings(2)) == (2, 4, None)


def test_revisions_apply_in_their_order_to_what_is_left() -> None:
    """A line has the readings that an earlier move gave it, and not those it took from it."""
    placed = readings([1, 2, 3], [1.0] * 3, [0.0, 5.0, 10.0])
    move = replace(ALL, number=1, line=0, to_line=1)
    discard = replace(ALL, number=2, line=1)
    found = applied(move, discard).placed(placed)
    assert found.readings["time"].tolist() == [3]
    found = applied(discard, move).placed(placed)
    assert (found.readings["time"].tolist(), found.index.tolist()) == ([1, 3], [5.0, 10.0])


def test_discarded_path_leads_from_no_sample_before_to_one_after() -> None:
    """As in a pause."""
    way = path(range(6), range(6), [0.0] * 6)
    one = replace(ALL, begin=UTC + 2, end=UTC + 4)
    found, broken = applied(one).path(way)
    assert samples(found) == [
        (0, True, False),
        (1, True, False),
        (4, False, True),
        (5, True, False),
    ]
    assert broken is not None
    assert broken.tolist() == [False, False, True, False]
    assert samples(applied(ALL).path(way)[0]) == []


@pytest.mark.parametrize(
    ("conditions", "cut"),
    [
        ({"begin": UTC + 12, "end": UTC + 18}, True),
        ({"begin": UTC + 20, "end": UTC + 21}, False),  # the sample itself
        ({"begin": UTC + 21, "end": UTC + 28}, False),
        ({"begin": UTC + 2, "end": UTC + 8}, False),
        ({"scan": (12.0, 18.0)}, True),
        ({"scan": (12.0, 18.0), "line": 0}, True),
        ({"scan": (12.0, 18.0), "line": 1}, False),
        ({"scan": (22.0, 28.0)}, False),
        ({"scan": (12.0, 18.0), "begin": UTC + 30}, False),
    ],
)
def test_stretch_between_two_samples_cuts_the_path(conditions: dict[str, Any], cut: bool) -> None:
    """Neither is in it, but what was read between them is discarded."""
    way = path([10, 20], [10.0, 20.0], [0.0, 0.0])
    found, _ = applied(replace(ALL, **conditions)).path(way)
    inside = conditions.get("begin") == UTC + 20
    if inside:
        assert samples(found) == [(10, True, False)]
    else:
        assert samples(found) == [(10, True, False), (20, not cut, cut)]


def test_stretch_between_two_samples_on_a_pipe_cuts_the_path() -> None:
    """The probe may have passed the seam, or gone round whole."""
    for begin, end, cut in ((38.0, 42.0, True), (3.0, 8.0, False), (20.0, 62.0, True)):
        way = path([10, 20], [begin, end], [0.0, 0.0])
        one = replace(ALL, scan=(39.0, 41.0))
        found, _ = applied(one, grid=ROUND).path(way)
        assert samples(found)[1] == (20, not cut, cut)


def test_moved_path_is_on_the_other_line_and_known_there() -> None:
    """Between two lines the probe is carried over, as behind the mark of a line."""
    way = path(range(6), range(6), [0.0] * 6)
    one = replace(ALL, begin=UTC + 2, end=UTC + 4, to_line=3)
    found, _ = applied(one).path(way)
    assert found is not None
    assert found.index.tolist() == [0.0, 0.0, 15.0, 15.0, 0.0, 0.0]
    assert found.known.tolist() == [True, True, False, True, False, True]
    assert not found.resets.any()


def test_readings_without_position_are_discarded_by_time_only() -> None:
    """Nobody knows on which line they are."""
    times = np.array([1, 2, 3])
    one = replace(ALL, begin=UTC + 2, end=UTC + 3)
    assert applied(one).unplaced(times).tolist() == [False, True, False]
    for other in (replace(one, line=0), replace(one, scan=(0.0, 9.0)), replace(one, to_line=1)):
        assert not applied(other).unplaced(times).any()


# --- a whole survey: the probe goes along line 0, back, and along line 1; 100 ms a millimetre.

TEXT = station_text(
    index=INDEX_STEPPED.format(length=2, advance="command"), survey='alert_below = "5 mm"'
)
FAR = 2000
# A reading has the time of its first byte, 2 ms before its line has arrived. The probe moves at both
# ends: by hand, a reading at a turn waits for the motion after it, which a pause would cut off.
AWAY, HERE = FAR - 504, 2 * FAR - 504


def place(ms: int) -> tuple[float, ...]:
    """Return the position: forth, back, forth."""
    if ms < FAR:
        return (ms / 100,)
    return ((2 * FAR - ms) / 100,) if ms < 2 * FAR else ((ms - 2 * FAR) / 100,)


def wall(ms: int) -> float | str:
    """Return a wall whose way back has a burst of 4.2 mm, and a piece without echo."""
    if FAR <= ms < 2 * FAR:
        return 4.2 if ms < FAR + 500 else "N" if ms < FAR + 600 else 8.0
    return 10.0


def entries(*marks: Mark, end: int = 3 * FAR) -> list[Entry]:
    """Return a run with marks, which come after what was received with them."""
    step = Mark(START + 2 * FAR * MS, MarkKind.LINE, {"line": 1, "by": "K"})
    motion = Motion(place, wall, 0, end)
    return sorted(
        [*motion.entries(), *ticks(end + 50, end + 1000), step, *marks], key=lambda one: one.time
    )


def mark(ms: int, kind: MarkKind, **detail: Any) -> Mark:
    """Return a mark so many ms after the start."""
    return Mark(START + ms * MS, kind, {"by": "K", **detail})


def revised(ms: int, begin: int | None, end: int | None, *, number: int = 1, **other: Any) -> Mark:
    """Return the mark of a revision that discards or, with `to_line`, moves; times in ms."""
    stretch: dict[str, Any] = {
        "revision": number,
        "begin": None if begin is None else UTC + begin * MS,
        "end": None if end is None else UTC + end * MS,
        "this_run": False,
        "line": None,
        "scan": None,
        "because": "slip",
    }
    kind = MarkKind.MOVED if "to_line" in other else MarkKind.DISCARDED
    return mark(ms, kind, **{**stretch, **other})


def survey(*runs: Iterable[Entry], known: bool = True) -> Pipeline:
    """Return a pipeline that was fed runs; the revisions are known before, or not at all."""
    journal = [entry for one in runs for entry in one]
    made = Pipeline(
        station(TEXT), revisions=revisions_of(journal) if known else (), observer=Seen()
    )
    feed(made, journal)
    return made


def arrays(pipeline: Pipeline) -> dict[str, bytes]:
    """Return every array of the grid, bit for bit."""
    return {
        name: layer.tobytes()
        for name, layer in vars(pipeline.grid).items()
        if isinstance(layer, np.ndarray)
    }


BACK = revised(6500, AWAY, HERE)
WITHOUT_BACK = [
    entry
    for entry in entries()
    if not isinstance(entry, Chunk) or not AWAY <= (entry.time - START) // MS < HERE
]


def test_discarded_stretch_is_as_if_it_had_been_paused() -> None:
    """All arrays, the minimum, the lines and the gaps; the alarm of the burst is gone too."""
    discarded = survey([opened(TEXT), *entries(BACK)])
    paused = survey(
        [
            opened(TEXT),
            *entries(mark(AWAY, MarkKind.PAUSED, because="slip"), mark(HERE, MarkKind.RESUMED)),
        ]
    )
    slip = survey([opened(TEXT), *entries()])
    assert arrays(discarded) == arrays(paused)
    assert arrays(discarded) != arrays(slip)
    # The way during a pause is none of the scan, and what is discarded was: it takes its time.
    without_pace = {"seconds_left": None}
    assert discarded.progress().model_copy(update=without_pace) == paused.progress().model_copy(
        update=without_pace
    )
    assert discarded.progress().minimum == 8.0
    assert slip.progress().minimum == 4.2
    assert AlarmKind.THIN in [alarm.kind for alarm in slip.alarms.alarms]
    assert AlarmKind.THIN not in [alarm.kind for alarm in discarded.alarms.alarms]
    assert discarded.gap_snapshots() == paused.gap_snapshots()
    assert discarded.revision_snapshots()[0].readings == 400
    lines = [discarded.line_snapshot(row) for row in range(3)]
    assert lines == [paused.line_snapshot(row) for row in range(3)]


def test_discarded_stretch_is_as_if_nothing_had_been_read_there() -> None:
    """As a run without the slip, bit for bit, but for the one reading that nothing brackets then."""
    discarded = survey([opened(TEXT), *entries(BACK)])
    without = survey([opened(TEXT), *WITHOUT_BACK])
    one, other = arrays(discarded), arrays(without)
    same = ("state", "thickness", "time_of_flight", "passes", "probe", "slipped")
    assert {name: one[name] for name in same} == {name: other[name] for name in same}
    more = discarded.grid.hits.astype(int) - without.grid.hits
    assert (np.flatnonzero(more).tolist(), int(more.sum())) == ([5], 1)


def test_restored_stretch_is_as_if_it_had_never_been_discarded() -> None:
    """Cells, gaps, alarms and what an observer is shown."""
    back = mark(6800, MarkKind.RESTORED, revision=1, because="it was right")
    restored = survey([opened(TEXT), *entries(BACK, back)])
    plain = survey([opened(TEXT), *entries()])
    assert arrays(restored) == arrays(plain)
    assert restored.progress() == plain.progress()
    assert restored.gap_snapshots() == plain.gap_snapshots()
    assert len(restored.alarms.alarms) == len(plain.alarms.alarms) > 0
    (one,) = restored.revision_snapshots()
    assert (one.restored_by, one.restored_because, one.readings) == ("K", "it was right", 0)


def test_readings_go_to_the_line_on_which_they_were_taken() -> None:
    """As if the line had been set before."""
    moved = survey([opened(TEXT), *entries(revised(6500, HERE, 6400, line=1, to_line=2))])
    line = mark(2 * FAR, MarkKind.LINE, line=2)
    right = survey([opened(TEXT), *(e for e in entries(line) if e != _STEP)])
    assert arrays(moved) == arrays(right)
    assert moved.coverage.measured_in_row(1) == 0
    assert moved.coverage.measured_in_row(2) == 21
    (one,) = moved.revision_snapshots()
    assert (one.kind, one.line, one.to_line, one.readings) == ("move", 1, 2, 395)
    assert [moved.coverage.line_done(row) for row in range(3)] == [True, False, False]


_STEP = Mark(START + 2 * FAR * MS, MarkKind.LINE, {"line": 1, "by": "K"})


def test_mark_of_a_revision_changes_nothing_before_the_survey_is_placed_again() -> None:
    """The pipeline that is fed the mark lists it, and knows that it is not placed with it."""
    late = survey([opened(TEXT), *entries(BACK)], known=False)
    plain = survey([opened(TEXT), *entries()])
    assert arrays(late) == arrays(plain)
    assert late.revisions_pending
    assert not plain.revisions_pending
    assert late.revision_snapshots()[0].readings is None
    again = survey([opened(TEXT), *entries(BACK)])
    assert not again.revisions_pending
    restored = mark(6800, MarkKind.RESTORED, revision=1, because="it was right")
    again.feed(restored)
    assert again.revisions_pending
    assert again.revision_snapshots()[0].readings is None
    late.feed(restored)
    assert not late.revisions_pending


@pytest.mark.slow
def test_revision_of_an_earlier_run_is_by_utc() -> None:
    """The host's clock begins again with each boot; the discarded times are those of the world."""
    first = [opened(TEXT), *entries(), ended(START + 7100 * MS)]
    later = 60_000
    second: list[Entry] = [opened(TEXT, time=START, utc=UTC + later * MS)]
    second += [*entries(BACK), ended(START + 7100 * MS)]
    both = survey(first, second)
    other = survey(
        first, [second[0], *entries(revised(6500, later + AWAY, later + HERE)), second[-1]]
    )
    assert both.revision_snapshots()[0].readings == 400
    assert other.revision_snapshots()[0].readings == 400
    # The burst is in both runs: it is gone from neither grid.
    assert both.progress().minimum == other.progress().minimum == 4.2
    assert arrays(both) != arrays(other)
    whole = survey(first, [second[0], *entries(revised(6500, None, later + HERE)), second[-1]])
    assert whole.progress().minimum == 8.0


def test_readings_that_came_after_the_command_count() -> None:
    """A line that is discarded is scanned again: what is read from then on is the line's."""
    again = [*entries(revised(5000, None, 5000, line=1))]
    found = survey([opened(TEXT), *again])
    assert found.coverage.measured_in_row(1) == 11  # the second half, from 10 mm on
    states = found.grid.state[21:42]
    assert (states[:10] == CellState.UNVISITED).all()
    assert (states[10:] == CellState.MEASURED).all()


def test_discarded_piece_of_a_line_that_was_left_is_a_gap() -> None:
    """It is reported as what was not scanned, at its place."""
    found = survey([opened(TEXT), *entries(revised(6500, None, 2 * FAR, scan=[5.0, 7.96]))])
    (gap,) = [gap for gap in found.gap_snapshots() if gap.is_open]
    assert gap.cause is GapCause.UNVISITED
    assert (gap.index.low, gap.index.high) == (-0.5, 0.5)
    assert (gap.scan.low, gap.scan.high) == (5.5, 7.5)


def test_lines_between_two_stretches_of_an_encoded_axis_were_not_passed() -> None:
    """The probe was carried, as behind a pause."""
    text = station_text(index=INDEX_ENCODED.format(length=6))

    def where(ms: int) -> tuple[float, ...]:
        line, along = divmod(ms, 2000)
        return (along / 100, float(line * 2))

    motion = [*Motion(where, lambda _: 10.0, 0, 7999).entries(), *ticks(8000, 9000)]
    stretch = revised(9000, AWAY, 6004)
    made = Pipeline(station(text), revisions=revisions_of([opened(text), stretch]))
    for entry in (opened(text), *motion, stretch):
        made.feed(entry)
    pauses = [mark(AWAY, MarkKind.PAUSED, because="slip"), mark(6004, MarkKind.RESUMED)]
    paused = run(text, sorted([*motion, *pauses], key=lambda one: one.time))
    assert arrays(made) == arrays(paused)
    done = [made.coverage.line_done(row) for row in range(7)]
    assert done == [paused.coverage.line_done(row) for row in range(7)]
    assert done[1:6] == [False] * 5


def test_record_lists_what_was_done_and_taken_back() -> None:
    """By whom, why, when, and how many readings it took."""
    back = mark(6800, MarkKind.RESTORED, revision=1, because="it was right")
    move = revised(6900, 2 * FAR, 6400, number=2, line=1, to_line=2)
    one, two = record_of(survey([opened(TEXT), *entries(BACK, back, move)])).revisions
    assert (one.number, one.kind, one.by, one.because, one.readings) == (
        1,
        "discard",
        "K",
        "slip",
        0,
    )
    assert (one.restored_by, one.restored_because) == ("K", "it was right")
    assert (two.number, two.to_line, two.readings, two.restored_by) == (2, 2, 395, "")
