"""A survey of spots as text and as a picture: what is done, what is not, and why."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from daemon.spot_journal import SpotJournal, spot_station
from daemon.surveys import write_run
from swathe.errors import SurveyError
from swathe.journal import MarkKind
from swathe.report import spots_table, summary_line, survey_lines
from swathe.report.picture import draw_survey
from swathe.report.section import draw_line
from swathe.report.spot_picture import draw_spots
from swathe.store import SurveyFolder, SurveyRecord, record_of, write_derived


@pytest.fixture
def journal() -> SpotJournal:
    """Return a journal of a done, a jumpy, an accepted, a closed and a forgotten spot."""
    names = ("done", "jumpy", "kept", "dead", "left")
    journal = SpotJournal(spot_station(names, spots="couplings = 2"))
    for wall in (9.5, 9.52):
        journal.read("done", wall, noise=0.0)
    journal.read("jumpy", 11.0, 11.0, 11.5, noise=0.0)
    for wall in (11.0, 11.5):
        journal.read("kept", wall, noise=0.0)
    journal.mark(MarkKind.SPOT_ACCEPTED, spot="kept", by="Kim", because="a step")
    journal.mark(MarkKind.SPOT_CLOSED, spot="dead", by="Kim", because="pitted")
    journal.read("left", 12.0, noise=0.0)
    journal.mark(MarkKind.SPOT_REOPENED, spot="left", by="Kim", because="wrong place")
    journal.end()
    return journal


@pytest.fixture
def record(journal: SpotJournal) -> SurveyRecord:
    """Return its record."""
    return record_of(journal.pipeline)


def test_summary_names_the_minimum(record: SurveyRecord) -> None:
    """Counts are of spots; nothing is said of cells, gaps and positions."""
    assert summary_line(record) == (
        "50.00 % of 4 spots measured, target 100 % not reached; 1 jumpy; 1 closed; "
        "minimum 9.500 mm at done; incomplete"
    )


def test_each_spot_has_a_line_and_what_does_not_count_one_below(record: SurveyRecord) -> None:
    """With figures, who and why."""
    lines = [line.strip() for line in spots_table(record)]
    nominal = "nominal 12.000 mm"
    assert lines[1] == (
        f"done   9.500 mm, {nominal}, spread 0.000 mm, 2 couplings that differ by 0.020 mm "
        "(standard deviation 0.0141 mm), by K"
    )
    assert lines[2] == f"jumpy  JUMPY, not done, {nominal}, spread 0.500 mm, 0 couplings"
    assert lines[3].startswith("not counted, jumpy: 11.000 mm, spread 0.500 mm of 11 readings, ")
    assert lines[4].endswith("by Kim; accepted though jumpy: a step")
    assert lines[5] == "dead   no reading possible: pitted; closed by Kim"
    assert lines[6] == f"left   not done, {nominal}"
    assert lines[7].startswith("not counted, discarded by Kim: wrong place: 12.000 mm")
    assert lines[8] == "not done, 2 spots: jumpy, left"


def test_report_has_the_spots_and_the_caution(record: SurveyRecord) -> None:
    """In place of what is missing by cause, in mm."""
    lines = survey_lines(record)
    assert lines[1] == summary_line(record)
    assert "not done, 2 spots: jumpy, left" in lines
    assert lines[-1].startswith("Measured values only; no statement of fitness for service.")
    assert not any("missing in" in line for line in lines)


def test_picture_joins_no_two_spots(record: SurveyRecord) -> None:
    """Points only, each kind with a symbol and a name of its own."""
    axes = Figure().subplots()
    draw_spots(axes, record)
    kinds = {str(line.get_label()): line for line in axes.lines}
    assert set(kinds) == {
        "thickness", "nominal", "not done", "jumpy, not done", "no reading possible",
    }  # fmt: skip
    assert {line.get_linestyle() for line in axes.lines} == {"None"}
    assert len({line.get_marker() for line in axes.lines}) == len(kinds)
    assert np.asarray(kinds["thickness"].get_xdata()).tolist() == [1, 3]
    assert np.asarray(kinds["not done"].get_xdata()).tolist() == [5]
    assert [text.get_text() for text in axes.get_xticklabels()] == [
        "done", "jumpy", "kept", "dead", "left",
    ]  # fmt: skip


def test_survey_of_spots_is_drawn_and_a_line_of_it_refused(
    journal: SpotJournal, tmp_path: Path
) -> None:
    """Between spots nothing was measured."""
    folder = SurveyFolder(tmp_path)
    write_run(folder, journal.entries)
    write_derived(folder, journal.pipeline)
    assert draw_survey(folder).stat().st_size > 10_000
    with pytest.raises(SurveyError, match="nothing was measured between them"):
        draw_line(folder, 0.0)
