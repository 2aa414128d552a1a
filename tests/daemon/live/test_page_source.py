"""What the page gets of where to go by hand, of the crawler, and of what an undo affects."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daemon.handmade import INDEX_STEPPED, MS, START, Motion, opened
from daemon.handmade import station_text as made_by_hand
from support.crawl import crawl_station
from support.daemon import station_text
from swathe.journal import Mark, MarkKind
from swathe.live import Daemon
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.live.mirror import Mirror
from swathe.live.page_source import PageSource
from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot
from swathe.pipeline import CellState, GapEnd, Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder


async def execute(command: CommandMessage) -> ReplyMessage:
    """Take no command."""
    message = f"{command.command} was not expected"
    raise AssertionError(message)


@pytest.fixture
def pipeline(tmp_path: Path) -> Pipeline:
    """Return a pipeline with gap 1 on line 3 and gap 2 on line 7."""
    pipeline = Pipeline(parse_station(crawl_station(tmp_path), "belt.toml"))
    columns = pipeline.grid.shape[1]
    for line, first in ((3, 10), (7, 40)):
        pipeline.coverage.gaps.add(np.arange(line * columns + first, line * columns + first + 9), 0)
    pipeline.coverage.gaps.settle()
    return pipeline


def test_nearest_gap_unless_another_one_is_wanted(pipeline: Pipeline) -> None:
    """The nearest gap comes next; of those that are wanted and open the first that was asked for."""
    near = step_by_hand(pipeline, (40.0, 24.0))
    assert (near.gap, near.line) == (1, 3)
    pipeline.requests.request_gap(9, "A. Kern", 0)  # gone meanwhile
    assert step_by_hand(pipeline, (40.0, 24.0)) == near
    pipeline.requests.request_gap(2, "A. Kern", 0)
    pipeline.requests.request_gap(1, "A. Kern", 0)
    wanted = step_by_hand(pipeline, (40.0, 24.0))
    assert (wanted.gap, wanted.line) == (2, 7)


def test_place_of_the_probe_decides_where_to_begin(pipeline: Pipeline) -> None:
    """While it is not known where the probe is, the first line comes first."""
    unknown = step_by_hand(pipeline, (None, None))
    assert (unknown.gap, unknown.away) == (1, None)
    below = step_by_hand(pipeline, (400.0, 80.0))
    assert below.gap == 2
    assert below.start > below.end


def test_line_profile_needs_no_place_across(tmp_path: Path) -> None:
    """On a line profile the probe is on the line, though nothing tells its place across."""
    pipeline = Pipeline(parse_station(station_text("profile", tmp_path), "profile.toml"))
    for first in (100, 1500):
        pipeline.coverage.gaps.add(np.arange(first, first + 20), 0)
    pipeline.coverage.gaps.settle()
    step = step_by_hand(pipeline, (1600.0, None))
    assert step.gap == 2
    assert step.away == pytest.approx(71.0)


def test_line_of_a_stepped_axis_is_where_the_probe_is() -> None:
    """No encoder gives the index position of a stepped axis: it is that of its line."""
    text = made_by_hand(index=INDEX_STEPPED.format(length=5, advance="return"))
    pipeline = Pipeline(parse_station(text, "bench"))
    pipeline.feed(opened(text))
    pipeline.feed(Mark(START + MS, MarkKind.LINE, {"line": 2, "by": "K"}))
    step = step_by_hand(pipeline, (20.0, None))
    assert (step.line, step.across, step.start, step.rising) == (2, 0.0, 0.0, True)
    assert words_by_hand(pipeline, step).startswith("line 2 of 6, from 0 mm, towards higher")


def test_a_lost_position_is_given_before_any_stroke() -> None:
    """The step by hand is to give the place of the probe, until that is done."""
    text = made_by_hand(scan_length=20, free=False)
    pipeline = Pipeline(parse_station(text, "bench"))
    pipeline.feed(opened(text))
    jump = Motion(
        place=lambda ms: (ms / 200 + 300 * (ms > 500),), wall=lambda _: 10.0, first=0, last=1500
    )
    for entry in jump.entries():
        pipeline.feed(entry)
    assert pipeline.lost_axes == ("scan",)
    words = words_by_hand(pipeline, step_by_hand(pipeline, pipeline.position))
    assert words == "rest the probe on a known place and give it; scan position is lost"
    place = Mark(pipeline.time - pipeline.utc_offset, MarkKind.REFERENCED, {"scan": 7.0, "by": "K"})
    pipeline.feed(place)
    words = words_by_hand(pipeline, step_by_hand(pipeline, pipeline.position))
    assert words == "continue from 4 to 20 mm"


def test_page_is_told_the_step_in_both_units(pipeline: Pipeline) -> None:
    """The same step, as figures in mm and as sentences in mm and inches."""
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    step = source.next_step()
    assert step is not None
    assert (step.gap, step.scan, step.index) == (1, (20.0, 92.0), 24.0)
    assert step.mm.startswith("line 3 again, from 20 to 92 mm; ")
    assert step.inches.startswith("line 3 again, from 0.79 to 3.62 in; ")


def test_page_is_told_when_all_is_measured(pipeline: Pipeline) -> None:
    """Only when no required cell is missing, and then without a place."""
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    pipeline.coverage.gaps.remove(np.arange(pipeline.grid.state.size), 0, GapEnd.MEASURED)
    fresh = source.next_step()
    assert fresh is not None
    assert (fresh.gap, fresh.index) == (None, 0.0)
    assert fresh.mm.startswith("line 0 of ")
    update = pipeline.grid.begin_update(np.arange(pipeline.grid.state.size))
    pipeline.grid.state[:] = CellState.MEASURED
    pipeline.grid.touched.add_all()
    pipeline.coverage.cells_changed(update)
    done = source.next_step()
    assert done is not None
    assert (done.gap, done.scan, done.index, done.mm) == (None, None, None, "all is measured")


def test_step_over_the_seam_has_a_higher_end_past_it() -> None:
    """The page draws from the lower to the higher end, whichever way the probe goes."""
    text = made_by_hand(scan_length=100, scan='mode = "wrapped"')
    pipeline = Pipeline(parse_station(text, "pipe"))
    pipeline.feed(opened(text))
    pipeline.coverage.gaps.add(np.array([0, 1, 98, 99]), 0)
    pipeline.coverage.gaps.settle()
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    scan = pipeline._inputs.placer.scan if pipeline._inputs else None
    assert scan is not None
    for ms, position, ends in ((0, 480.0, (88.0, 111.0)), (50, 520.0, (111.0, 88.0))):
        scan.append(np.array([START + ms * MS]), np.array([position]))
        step = source.next_step()
        assert step is not None
        assert step.scan == ends
        assert source.position() == (position % 100, 0.0)


def test_page_is_told_of_no_step_by_hand_where_a_crawler_goes(tmp_path: Path) -> None:
    """Where a crawler goes, nobody is sent by hand."""
    text = crawl_station(tmp_path)
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"), armed=True)
    assert daemon.crawl is not None
    source = PageSource(
        pipeline=lambda: daemon.pipeline,
        mirror=Mirror(),
        link=lambda: None,
        crawl=daemon.crawl,
        on_command=execute,
    )
    assert source.next_step() is None


def test_page_is_told_what_a_stretch_affects(pipeline: Pipeline) -> None:
    """The same figures as in the reply to the command, or the reason why it would be refused."""
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    grid = pipeline.grid
    grid.hits[:] = 0
    grid.state[:] = CellState.UNVISITED
    columns = grid.shape[1]
    grid.hits[2 * columns : 2 * columns + 5] = 3
    text = "up to 15 readings with an echo, in 5 cells"
    assert source.affected(StretchSnapshot(line=2)) == text
    nothing = "nothing was read there: no cell is affected"
    assert source.affected(StretchSnapshot(line=1)) == nothing
    assert "there is no note 'weld 12'" in source.affected(StretchSnapshot(begin="weld 12"))
    pipeline.notes.append((1, "weld 12"))
    assert source.affected(StretchSnapshot(begin="weld 12", line=2)) == nothing
    grid.last_time[2 * columns] = 2
    text = "up to 3 readings with an echo, in 1 cell"
    assert source.affected(StretchSnapshot(begin="weld 12", line=2)) == text
    assert source.notes() == [(1, "weld 12")]


@pytest.mark.parametrize(
    ("second", "title"),
    [("gauge", None), ("other", "gauge, probe one")],
)
def test_reading_of_a_gauge_is_shown_only_where_it_has_one_probe(
    second: str, title: str | None
) -> None:
    """What came last from a device with two probes may be of either."""
    column = '{is="thickness", unit="mm"}'
    several = '{is="thickness", unit="mm", probe=1}, {is="thickness", unit="mm", probe=2}'
    inputs = ("input = 1\n", "input = 2\n") if second == "gauge" else ("", "")
    text = f"""name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "ports/encoder"
protocol.columns = [{{is="counts", axis="scan"}}]
[device.gauge]
port = "ports/gauge"
protocol.columns = [{several if second == "gauge" else column}]
[[probe]]
name = "one"
device = "gauge"
{inputs[0]}[[probe]]
name = "two"
device = "{second}"
scan = "3 mm"
{inputs[1]}"""
    if second == "other":
        text += f'[device.other]\nport = "ports/other"\nprotocol.columns = [{column}]\n'
    pipeline = Pipeline(parse_station(text, "bench"))
    pipeline.feed(opened(text))
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    shown = source.gauge()
    assert (None if shown is None else shown.device) == title
    assert source.heading() == 0.0
