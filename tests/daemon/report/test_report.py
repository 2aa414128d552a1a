"""Maps, lists and pictures: no gap may be lost by drawing small."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from rich.console import Console

from daemon.handmade import MS, START, run, station_text
from swathe.errors import SurveyError
from swathe.journal import Mark, MarkKind
from swathe.messages import Extent
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.placing.slip import Slip
from swathe.report import gaps_json, gaps_table, summary_line
from swathe.report.picture import _name_zones, draw_survey
from swathe.report.plan_pieces import within
from swathe.report.summary import survey_lines
from swathe.report.thinning import thin_minimum, thin_worst
from swathe.station import parse_station
from swathe.store import (
    SurveyFolder,
    read_survey_record,
    record_of,
    write_derived,
    write_survey_record,
)

STATION = """
name = "penstock-3"
[survey]
folder = "survey"
part = "Penstock 3"
[scan]
length = "40 mm"
resolution = "1 mm"
device = "gauge"
[index]
length = "4 mm"
resolution = "2 mm"
device = "gauge"
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  { is = "position", axis = "scan", unit = "mm" },
  { is = "position", axis = "index", unit = "mm" },
  { is = "thickness", unit = "mm" },
]
"""


def test_thinning_out_keeps_the_least_and_the_worst() -> None:
    """Drawn small, a pit keeps its depth and a missing cell its state."""
    thickness = np.full((40, 60), 10.0)
    thickness[13, 47] = 3.2
    thickness[20] = np.nan
    small = thin_minimum(thickness, (8, 20))
    assert small.shape == (5, 3)
    assert np.nanmin(small) == 3.2
    assert not np.isnan(small).any()
    state = np.full((40, 60), CellState.MEASURED, np.uint8)
    state[13, 47] = CellState.SKIPPED
    assert np.count_nonzero(thin_worst(state, (8, 20)) == CellState.SKIPPED) == 1


@pytest.fixture
def survey(tmp_path: Path) -> SurveyFolder:
    """Return a survey of three lines that nobody has scanned, ended."""
    pipeline = Pipeline(parse_station(STATION, "test"))
    detail = {"survey": "s", "station": STATION, "versions": {}, "utc_ns": 10**18}
    pipeline.feed(Mark(0, MarkKind.OPENED, detail))
    pipeline.feed(Mark(10**9, MarkKind.ENDED, {"status": "incomplete", "reason": "test"}))
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()
    write_derived(folder, pipeline)
    return folder


def test_report_lists_slips_with_position_size_and_cells() -> None:
    """A line each, and the reason next to the count of suspect cells."""
    pipeline = Pipeline(parse_station(STATION, "test"))
    detail = {"survey": "s", "station": STATION, "versions": {}, "utc_ns": 10**18}
    pipeline.feed(Mark(0, MarkKind.OPENED, detail))
    slipped = pipeline.slipped_cells
    pipeline.grid.touched.add(np.arange(3))
    pipeline.grid.state[:3], pipeline.grid.last_time[:3] = CellState.MEASURED, 10**18 + 70 * 10**9
    pipeline.coverage.measured = 3
    slipped.take(Slip("scan", 60 * 10**9, 65 * 10**9, 0, 12.346, -4.0), 10**18, 10**18)
    lines = survey_lines(record_of(pipeline))
    assert (
        "slip 1 of 2001-09-09 01:47:45 UTC: scan at 12.35 mm was off its second source by -4.00 mm; "
        "3 cells read since 01:47:40 UTC made suspect, 0 read at unsound positions after it"
    ) in lines
    assert "3 cells SUSPECT by a failed check or a slip" in lines[1]


def test_lists_tell_the_whole_plan_as_missing(survey: SurveyFolder) -> None:
    """A survey that ended before it began has one gap: all of it, unvisited."""
    record = read_survey_record(survey.record)
    (whole,) = record.open_gaps
    assert (whole.cells, str(whole.cause)) == (3 * 41, "unvisited")
    assert summary_line(record) == (
        "0.00 % of 123 cells measured, target 100 % not reached; 1 gap open, 0 closed; incomplete"
    )
    console = Console(width=100)
    with console.capture() as said:
        console.print(gaps_table(record, closed=True))
    assert "-0.5…40.5      -1…5    123" in said.get()
    assert '"target_reached": false' in gaps_json(record)


def test_picture_of_an_empty_survey_is_drawn(survey: SurveyFolder) -> None:
    """A picture comes out even when nothing was measured."""
    path = draw_survey(survey)
    assert path.read_bytes().startswith(b"\x89PNG")
    assert path == survey.picture


def test_drawing_of_unverified_files_states_it(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without digests a drawing has the words above it, and none with them."""
    words: list[str] = []
    text = Figure.text

    def noted(self: Figure, x: float, y: float, s: str, **more: Any) -> Text:
        words.append(s)
        return text(self, x, y, s, **more)

    monkeypatch.setattr(Figure, "text", noted)
    draw_survey(survey, tmp_path / "a.png")
    assert not any("NOT VERIFIED" in one for one in words)
    (survey.path / "digests.jsonl").unlink()
    draw_survey(survey, tmp_path / "b.png")
    assert any("NOT VERIFIED: digests.jsonl is missing" in one for one in words)


def test_links_in_a_survey_are_replaced_and_not_followed(
    survey: SurveyFolder, tmp_path: Path
) -> None:
    """Record and picture of a stranger's survey overwrite no file outside it."""
    mine = tmp_path / "mine"
    mine.write_text("mine")
    record = read_survey_record(survey.record)
    for path in (survey.record, survey.picture):
        path.unlink(missing_ok=True)
        path.symlink_to(mine)
        path.with_name(f"{path.name}.partial").symlink_to(mine)
    with pytest.raises(SurveyError, match="link"):
        read_survey_record(survey.record)
    write_survey_record(survey.record, record)
    draw_survey(survey)
    assert mine.read_text() == "mine"
    assert read_survey_record(survey.record) == record
    assert not survey.picture.is_symlink()


def test_zone_over_the_seam_is_drawn_in_two_pieces() -> None:
    """What reaches past a seam is outlined on both sides, and its person and reason in a legend."""
    round_it = station_text(scan_length=40, scan='mode = "wrapped"')
    detail = {"name": "lug", "scan": [36, 42], "index": None, "by": "K", "because": "in the way"}
    zone = Mark(START + MS, MarkKind.ZONE_EXCLUDED, detail)
    record = record_of(run(round_it, [zone]))
    axes = Figure().subplots()
    (entry,) = _name_zones(axes, record)
    assert entry.get_label() == "A: lug, excluded by K, 2027-01-15 08:00 UTC: in the way"
    frames = [one for one in axes.patches if isinstance(one, Rectangle)]
    drawn = [(one.get_x(), one.get_x() + one.get_width()) for one in frames]
    assert drawn == [(-0.5, 2.0), (36.0, 39.5)]
    assert [text.get_text() for text in axes.texts] == ["A", "A"]


def test_extent_in_pieces_within_the_borders() -> None:
    """Without a turn an extent is clipped; with one what is past the border comes in again."""
    borders = Extent(-0.5, 39.5)
    assert within(Extent(30, 50), borders, None) == [(30, 39.5)]
    assert within(Extent(30, 50), borders, Extent(0, 40)) == [(-0.5, 10), (30, 39.5)]
    assert within(Extent(5, 9), borders, Extent(0, 40)) == [(5, 9)]
