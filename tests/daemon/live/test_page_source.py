"""What the page gets of where to go by hand, of the crawler, and of what an undo affects."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from support.crawl import crawl_station
from support.daemon import station_text
from swathe.live import Daemon
from swathe.live.hand_guide import where_by_hand
from swathe.live.mirror import Mirror
from swathe.live.page_source import PageSource
from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot
from swathe.page import CrawlerHealth
from swathe.pipeline import CellState, Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder


def execute(command: CommandMessage) -> ReplyMessage:
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
    near = where_by_hand(pipeline, (40.0, 24.0))
    assert near is not None
    assert (near.gap, near.line) == (1, 3)
    pipeline.requests.request_gap(9, "A. Kern", 0)  # gone meanwhile
    assert where_by_hand(pipeline, (40.0, 24.0)) == near
    pipeline.requests.request_gap(2, "A. Kern", 0)
    pipeline.requests.request_gap(1, "A. Kern", 0)
    wanted = where_by_hand(pipeline, (40.0, 24.0))
    assert wanted is not None
    assert (wanted.gap, wanted.line) == (2, 7)


def test_place_of_the_probe_decides_where_to_begin(pipeline: Pipeline) -> None:
    """While it is not known where the probe is, the first line comes first."""
    unknown = where_by_hand(pipeline, (None, None))
    assert unknown is not None
    assert (unknown.gap, unknown.away) == (1, None)
    below = where_by_hand(pipeline, (400.0, 80.0))
    assert below is not None
    assert below.gap == 2
    assert below.start > below.end


def test_line_profile_needs_no_place_across(tmp_path: Path) -> None:
    """On a line profile the probe is on the line, though nothing tells its place across."""
    pipeline = Pipeline(parse_station(station_text("profile", tmp_path), "profile.toml"))
    for first in (100, 1500):
        pipeline.coverage.gaps.add(np.arange(first, first + 20), 0)
    pipeline.coverage.gaps.settle()
    step = where_by_hand(pipeline, (1600.0, None))
    assert step is not None
    assert step.gap == 2
    assert step.away == pytest.approx(80.5)


def test_page_is_told_the_step_in_both_units(pipeline: Pipeline) -> None:
    """The same step, as figures in mm and as sentences in mm and inches."""
    source = PageSource(
        pipeline=lambda: pipeline, mirror=Mirror(), link=lambda: None, on_command=execute
    )
    step = source.next_step()
    assert step is not None
    assert (step.gap, step.scan, step.index) == (1, (38.0, 74.0), 24.0)
    assert step.mm.startswith("line 3, from 38 mm, 36 mm missing; ")
    assert step.inches.startswith("line 3, from 1.50 in, 1.42 in missing; ")
    assert source.crawler is None


def test_page_is_told_of_the_crawler_and_of_no_step_by_hand(tmp_path: Path) -> None:
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
    daemon.crawl.say("raster: 11 of 11 lines")
    assert source.crawler == CrawlerHealth("disarmed", "raster: 11 of 11 lines")
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
