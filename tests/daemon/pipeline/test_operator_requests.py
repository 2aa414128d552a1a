"""What people ask for while a survey goes on: pauses, zones, gaps to be scanned again."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_STEPPED,
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
from swathe.journal import Mark, MarkKind
from swathe.pipeline import CellState, GapEnd, Pipeline
from swathe.pipeline.cells.gaps import GapRegister
from swathe.pipeline.operator_requests import gap_meant
from swathe.station import parse_station
from swathe.store import record_of

TEXT = station_text()
CELLS = 21


def there(first: int, last: float = 21.0, *, begin: float = -1.0, wall: float = 10.0) -> Motion:
    """Return a way from `begin` to `last` mm at 20 mm/s that begins `first` ms after the start."""
    return Motion(
        lambda ms: ((ms - first) / 50 + begin,),
        lambda _: wall,
        first,
        first + round((last - begin) * 50),
    )


def mark(ms: int, kind: MarkKind, **detail: object) -> Mark:
    """Return a mark so many ms after the start."""
    return Mark(START + ms * MS, kind, detail)


def pause(ms: int) -> Mark:
    """Return the mark of a pause."""
    return mark(ms, MarkKind.PAUSED, by="A. Kern", because="couplant")


def resume(ms: int) -> Mark:
    """Return the mark that ends it."""
    return mark(ms, MarkKind.RESUMED, by="A. Kern")


def zone(ms: int, scan: tuple[float, float] | None) -> Mark:
    """Return the mark of a zone."""
    return mark(ms, MarkKind.ZONE_EXCLUDED, name="lug", scan=scan, index=None, by="A. Kern")


def measured(pipeline: Pipeline) -> list[int]:
    """Return the cells that are measured."""
    return np.flatnonzero(pipeline.grid.state == CellState.MEASURED).tolist()


def test_pause_readings_belong_to_no_cell_and_no_way_is_followed() -> None:
    """What is read in a pause is nowhere, and what was passed meanwhile is not left behind."""
    pipeline = run(TEXT, there(0, 5.0).entries(), [pause(301)])
    assert pipeline.pauses.active
    assert (pipeline.pauses.by, pipeline.pauses.because) == ("A. Kern", "couplant")
    told = feed_noting(pipeline, there(302, 15.0, begin=5.0, wall=3.0).entries())
    told += feed_noting(pipeline, [resume(900)])
    told += feed_noting(pipeline, there(901, 21.0, begin=15.0).entries())
    told += feed_noting(pipeline, ticks(1250, 2000))
    assert measured(pipeline) == [0, 1, 2, 3, 4, 5, 15, 16, 17, 18, 19, 20]
    assert float(pipeline.grid.thickness[pipeline.grid.hits > 0].min()) > 9
    assert pipeline.grid.passes[6:15].tolist() == [0] * 9
    assert not told
    assert not pipeline.pauses.active


def test_pause_ends_with_its_run_but_not_with_a_kill() -> None:
    """A daemon that was killed in a pause comes back paused; one that ended in order does not."""
    killed = run(TEXT, there(0, 5.0).entries(), [pause(310), opened(TEXT, time=START + 9000 * MS)])
    assert killed.pauses.active
    feed(killed, there(9100, wall=3.0).entries())
    assert measured(killed) == [0, 1, 2, 3, 4, 5]
    whole = run(TEXT, [pause(1), ended(START + 100 * MS), opened(TEXT, time=START + 9000 * MS)])
    assert not whole.pauses.active


def test_pause_what_was_under_way_still_belongs_to_its_cell() -> None:
    """Readings from before the pause that arrive after it began are placed."""
    before = list(there(0, 5.0).entries())
    pipeline = run(TEXT, before[:-40], [pause(301)], before[-40:], ticks(302, 700))
    assert measured(pipeline) == [0, 1, 2, 3, 4, 5]


def test_pause_twice_is_one() -> None:
    """A second pause changes nothing, and one 'resume' ends it."""
    pipeline = run(TEXT, [pause(1), pause(2), resume(3)], there(10).entries())
    assert len(measured(pipeline)) == CELLS


def test_pause_return_tells_no_line() -> None:
    """A probe carried back in a pause does not step the line on."""
    text = station_text(index=INDEX_STEPPED.format(length=3, advance="return"))
    back = Motion(lambda ms: (20 - (ms - 1200) / 50,), lambda _: 10.0, 1200, 2200)
    pipeline = run(text, there(0, 20.0).entries(), [pause(1150)], back.entries())
    assert pipeline.line == 0
    other = run(text, there(0, 20.0).entries(), back.entries())
    assert other.line == 1


def test_pause_no_speed_from_being_carried() -> None:
    """A probe that goes on far away was not fast."""
    pipeline = run(TEXT, there(0, 5.0).entries(), [pause(301), resume(320)])
    feed(pipeline, there(325, 21.0, begin=18.0).entries())
    assert pipeline.progress().speed < 30


def test_zone_takes_cells_out_of_the_plan() -> None:
    """What is required shrinks, measured cells in the zone count no more, the rest stays."""
    pipeline = run(TEXT, there(0).entries(), [zone(1200, (4.6, 7.4))])
    state = pipeline.grid.state
    assert np.flatnonzero(state == CellState.EXCLUDED).tolist() == [5, 6, 7]
    progress = pipeline.progress()
    assert (progress.required, progress.measured) == (18, 18)
    assert pipeline.target_reached
    assert pipeline.line_snapshot(0).required == 18
    (told,) = pipeline.requests.zones
    assert (told.name, told.scan, told.index, told.by) == ("lug", (4.6, 7.4), None, "A. Kern")
    assert told.time == UTC + 1200 * MS


def test_zone_ends_a_gap_and_shrinks_another() -> None:
    """A gap in the zone ends as excluded; of one that reaches out of it the rest stays open."""
    motion = there(0)
    lost = Motion(motion.place, lambda ms: "N" if 9.4 <= ms / 50 - 1 < 12.6 else 10.0, 0, 1100)
    pipeline = run(TEXT, lost.entries(), ticks(1101, 1400))
    (gap,) = pipeline.open_gap_snapshots()
    assert (gap.cells, gap.scan) == (3, (9.5, 12.5))
    told = feed_noting(pipeline, [zone(1500, (11.5, 30.0))])
    (gap,) = pipeline.open_gap_snapshots()
    assert (gap.cells, gap.scan) == (2, (9.5, 11.5))
    told = feed_noting(pipeline, [zone(1600, (9.0, 11.2))])
    assert [(note.end, note.is_open) for _, note in told] == [(GapEnd.EXCLUDED, False)]
    assert pipeline.open_gap_snapshots() == []


def test_zone_the_least_thickness_moves() -> None:
    """The thinnest cell of the survey is one that is asked for."""
    motion = there(0)
    thin = Motion(motion.place, lambda ms: 4.0 if 5.6 <= ms / 50 - 1 < 6.4 else 10.0, 0, 1100)
    pipeline = run(TEXT, thin.entries(), ticks(1101, 1400))
    minimum = pipeline.minimum
    assert minimum.raw_value == pytest.approx(4.0, abs=1e-3)  # one cell of one pass, to confirm
    feed(pipeline, [zone(1500, (6.0, 6.0))])
    assert (minimum.value, minimum.raw_value) == pytest.approx((10.0, 10.0), abs=1e-3)


def test_zone_the_whole_of_an_axis() -> None:
    """A zone without borders on an axis reaches over all of it."""
    pipeline = run(TEXT, [zone(10, None)])
    assert pipeline.progress().required == 0


def test_zone_readings_in_it_count_for_nothing_and_it_survives_a_restart() -> None:
    """A later pass leaves the zone excluded, in this run and in the next."""
    pipeline = run(TEXT, [zone(5, (3.0, 4.0))], there(10).entries())
    assert CellState.EXCLUDED == pipeline.grid.state[3] == pipeline.grid.state[4]
    feed(pipeline, [ended(START + 2000 * MS), opened(TEXT, time=START + 9000 * MS)])
    feed(pipeline, there(9100).entries())
    assert pipeline.progress().required == pipeline.progress().measured == CELLS - 2
    assert pipeline.grid.state[3] == CellState.EXCLUDED


def gaps(pipeline: Pipeline) -> list[int]:
    """Return the gaps that are wanted."""
    return [one.number for one in pipeline.requests.gaps]


def holes(*columns: float) -> Motion:
    """Return a pass without echo in these cells."""
    path = there(0)

    def wall(ms: int) -> float | str:
        at = ms / 50 - 1
        return "N" if any(abs(at - column) <= 0.5 for column in columns) else 10.0

    return Motion(path.place, wall, 0, 1100)


def test_wanted_gaps_stand_in_the_order_of_asking_until_they_end() -> None:
    """The list is first come first served, without doubles, and loses what was measured."""
    pipeline = run(TEXT, holes(3, 9, 15).entries(), ticks(1101, 1300))
    first, second, third = (note.number for note in pipeline.open_gap_snapshots())
    requests = [mark(1400 + k, MarkKind.GAP_REQUESTED, gap=gap, by="crew-1") for k, gap in
             enumerate((third, first, third))]  # fmt: skip
    feed(pipeline, requests)
    assert gaps(pipeline) == [third, first]
    assert pipeline.requests.changed
    pipeline.requests.changed = False
    feed(pipeline, there(1500, 6.0, begin=1.0).entries())
    feed(pipeline, ticks(1800, 2100))
    assert gaps(pipeline) == [third]
    assert pipeline.requests.changed
    assert second not in gaps(pipeline)


def test_requested_gaps_change_by_requests_and_by_their_own_ends_only() -> None:
    """A second request of a gap and the end of another gap leave the list unchanged."""
    pipeline = run(TEXT, holes(3, 9).entries(), ticks(1101, 1300))
    first, second = (note.number for note in pipeline.open_gap_snapshots())
    assert not pipeline.requests.changed
    feed(pipeline, [mark(1400, MarkKind.GAP_REQUESTED, gap=second, by="crew-1")])
    assert pipeline.requests.changed
    pipeline.requests.changed = False
    feed(pipeline, [mark(1401, MarkKind.GAP_REQUESTED, gap=second, by="crew-2")])
    feed(pipeline, there(1500, 6.0, begin=1.0).entries())
    feed(pipeline, ticks(1800, 2100))
    assert [note.number for note in pipeline.open_gap_snapshots()] == [second]
    assert first != second
    assert not pipeline.requests.changed
    assert [(one.number, one.by) for one in pipeline.requests.gaps] == [(second, "crew-1")]


def test_the_same_marks_give_the_same_arrays() -> None:
    """A rebuild meets pauses and zones at the same places."""
    entries = [
        *holes(3, 9).entries(),
        pause(1150),
        zone(1160, (8.0, 9.0)),
        resume(1170),
        *there(1200).entries(),
    ]
    one, other = run(TEXT, entries), run(TEXT, entries)
    assert np.array_equal(one.grid.state, other.grid.state)
    assert np.array_equal(one.grid.thickness, other.grid.thickness)
    assert one.progress() == other.progress()


def gaps_at(*extents: tuple[float, float]) -> GapRegister:
    """Return open gaps on one line, numbered from 1, each from cell to cell."""
    grid = Pipeline(parse_station(station_text(), "bench.toml")).grid
    gaps = GapRegister(grid)
    for first, last in extents:
        gaps.add(np.arange(int(first), int(last) + 1), 0)
    gaps.settle()
    return gaps


@pytest.mark.parametrize(
    ("scan", "number"),
    [
        ((2.0, 5.0), 1),  # it is still there, if displaced
        ((7.0, 13.0), 2),  # the gap that was 1 is 2 now, though another one is touched as well
        ((14.5, 15.5), None),  # it is no gap any more
    ],
)
def test_requested_gap_is_found_where_it_was(scan: tuple[float, float], number: int | None) -> None:
    """Placed again, the gap of the mark's number may be another one: its borders say which."""
    gaps = gaps_at((0, 3), (8, 11), (13, 14))
    detail = {"gap": 1, "by": "K", "scan": scan, "index": (-0.5, 0.5)}
    assert gap_meant(gaps, detail) == number
    assert gap_meant(gaps, {"gap": 1, "by": "K"}) == 1  # of an earlier version


def test_zone_keeps_who_and_why() -> None:
    """Zone and the gap that it ends name the person and the reason; an older mark has none."""
    motion = there(0)
    lost = Motion(motion.place, lambda ms: "N" if 9.4 <= ms / 50 - 1 < 12.6 else 10.0, 0, 1100)
    pipeline = run(TEXT, lost.entries(), ticks(1101, 1400))
    reason = {"name": "lug", "scan": [9.0, 13.0], "index": None, "by": "B. Li"}
    told = feed_noting(
        pipeline, [mark(1500, MarkKind.ZONE_EXCLUDED, **reason, because="bracket in the way")]
    )
    assert [note.end_text for _, note in told] == ["excluded by B. Li: lug: bracket in the way"]
    feed(pipeline, [mark(1600, MarkKind.ZONE_EXCLUDED, **{**reason, "scan": [16.0, 17.0]})])
    zones = [(one.by, one.because, one.cells) for one in pipeline.requests.zones]
    assert zones == [("B. Li", "bracket in the way", 5), ("B. Li", "", 2)]
    record = record_of(pipeline)
    assert [(one.because, one.cells) for one in record.zones] == [
        ("bracket in the way", 5), ("", 2),
    ]  # fmt: skip
    assert record.plan is not None
    assert [one.by for one in record.plan.excluded] == ["B. Li", "B. Li"]
