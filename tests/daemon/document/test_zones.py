"""Zones, squares and the area not scanned in a report: the figures of `evaluate`, and its refusals."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import swathe
from daemon.document.reports import (
    EVERY_BLOCK,
    HOSTILE,
    ReadReport,
    hostile_text,
    write_report_survey,
)
from daemon.document.test_maps import pixels, record  # noqa: F401  a fixture
from daemon.evaluation.walls import arrays_of
from daemon.report.test_spots import journal as spot_journal  # noqa: F401  a fixture
from daemon.spot_journal import SpotJournal
from daemon.surveys import write_run
from support.documents import ROOT, blocks
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.document import ReportWishes, document_html, survey_document
from swathe.document.maps import square_map
from swathe.document.material import ReportMaterial, gather
from swathe.document.model import (
    DataTable,
    Paragraph,
    ReportDocument,
    ReportSection,
    TextLines,
)
from swathe.document.zones_part import zones_section
from swathe.errors import SwatheError
from swathe.evaluation import Extremes, Zone, evaluate_arrays
from swathe.printable import printable
from swathe.report.thickness_axis import colours_of, recorded_scale
from swathe.store import SurveyFolder, SurveyRecord, open_arrays, write_derived

ZONES = [Zone(HOSTILE, (10.0, 14.0), (0.0, 0.0)), Zone("all")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return a survey of two lines of 21 cells with a pit, a gap and an excluded zone."""
    return write_report_survey(tmp_path_factory.mktemp("zones") / "s", hostile_text())


@pytest.fixture(scope="module")
def of(folder: SurveyFolder) -> ReportMaterial:
    """Return what its report with zones, squares and extremes is made from."""
    wishes = ReportWishes(evaluation={"zones": ZONES, "square": 4.0, "extremes": True})
    return gather(folder, wishes)


@pytest.fixture(scope="module")
def section(of: ReportMaterial) -> ReportSection:
    """Return the section."""
    section = zones_section(of)
    assert section is not None
    return section


def test_zones_are_those_of_the_evaluation_with_their_borders(
    of: ReportMaterial, section: ReportSection
) -> None:
    """Borders as they were asked for; minimum, its place and what was not seen of each."""
    borders, table = section.blocks[1:3]
    assert isinstance(borders, TextLines)
    assert of.found is not None
    seam = replace(of.found.zones[1], zone=Zone("saddle", None, (330.0, 30.0)))
    over = zones_section(
        replace(of, found=replace(of.found, zones=(seam,), extremes=None, square=None, squares=()))
    )
    assert over is not None
    (line,) = (one.lines for one in over.blocks if isinstance(one, TextLines))
    assert line == ("saddle: all scan positions, index 330 to 30 mm, over the seam",)
    assert borders.lines == (
        f"{HOSTILE}: scan 10 to 14 mm, index 0 to 0 mm",
        "all: all scan positions, all index positions",
    )
    assert isinstance(table, DataTable)
    assert table.heads[8:] == ("not seen %", "below 8.00")  # the alert level
    found = evaluate_arrays(open_arrays(of.folder), zones=ZONES)
    for row, one in zip(table.rows, found.zones, strict=True):
        known, place, figures = one.figures.statistics, one.figures.minimum, one.figures
        assert known is not None
        assert place is not None
        assert row[:3] == (one.zone.name, f"{known.minimum:.3f}", f"{place.scan:.1f}")
        unseen = 100 * (figures.cells - figures.measured) / figures.cells
        assert unseen <= float(row[8]) < unseen + 0.01


def test_a_square_has_its_colour_and_is_inked_where_not_all_of_it_counts(
    record: SurveyRecord,  # noqa: F811
) -> None:
    """The map has the minimum's colour in each square, and the pattern in one that lacks a cell."""
    wall = np.full((20, 60), 12.0)
    wall[4, 50], wall[15, 5] = 7.0, np.nan
    found = evaluate_arrays(arrays_of(wall, resolution=(2.0, 2.0)), square=20.0)
    picture = square_map(found, record)
    assert "Scale 1:1 on paper" in picture.caption
    image = pixels(picture)
    scale: Any = colours_of(recorded_scale(record))
    for one in found.squares:
        assert one.figures.minimum is not None
        colour = [
            round(255 * part)
            for part in scale["cmap"](scale["norm"](one.figures.minimum.thickness))[:3]
        ]
        # The upper half of each, above its number.
        left, top = (8 * (start + at + 1) for start, at in ((14, one.scan.low), (3, one.index.low)))
        part = image[round(top) + 4 : round(top) + 60, round(left) + 4 : round(left) + 156]
        plain = (np.abs(part.astype(int) - colour) <= 1).all(axis=-1)
        inked = (part == (255 if sum(colour) < 300 else 38)).all(axis=-1)
        lacks = (one.row, one.column) == (1, 0)
        assert (plain | inked).all()
        assert (inked.mean() > 0.02) is np.bool_(lacks)
        assert inked.any() == lacks


def test_extremes_are_stated_with_what_is_assumed_or_refused_with_why(
    of: ReportMaterial, section: ReportSection
) -> None:
    """Here the squares are too few; where there is an answer, its assumption is set off."""
    lines = [line for one in section.blocks if isinstance(one, TextLines) for line in one.lines]
    at = next(k for k, line in enumerate(lines) if line.startswith("Probable minimum of "))
    assert lines[at].endswith("mm² not scanned: not stated")
    assert "and 30 are required" in "".join(lines[at + 1 :])
    words = [one for one in section.blocks if isinstance(one, Paragraph)]
    assert not [one for one in words if one.kind == "caution"]
    assert any("what the plan requires and was not measured" in one.text for one in words)
    assert of.found is not None
    stated = Extremes(
        (), 40, 3, 100.0, 1e6, 1e4, median=5.0, median_low=4.5, median_high=5.5,
        minimum_low=4.0, minimum_high=6.0, scale=0.2, tests={},
    )  # fmt: skip
    given = ReportWishes(evaluation={"not_scanned": 1e6})
    found = replace(of.found, extremes=stated, square=None, squares=())
    other = zones_section(replace(of, wishes=given, found=found))
    assert other is not None
    assert other.title == "Zones and area not scanned"
    words = [one for one in other.blocks if isinstance(one, Paragraph)]
    (caution,) = (one.text for one in words if one.kind == "caution")
    assert "is an assumption which no reading of this survey supports" in caution
    assert any("stated for this report; the survey has no evidence" in one.text for one in words)


def test_the_section_is_there_only_where_it_was_asked_for(
    folder: SurveyFolder, section: ReportSection
) -> None:
    """Its title names what is in it; a hostile name of a zone stays text."""
    assert section.title == "Zones, squares and area not scanned"
    assert zones_section(gather(folder, ReportWishes())) is None
    report = ReadReport.of(document_html(replace(EVERY_BLOCK, sections=(section,))))
    assert printable(HOSTILE) in [row[0] for row in report.rows if row]
    assert "script" not in {name for name, _ in report.elements}


def test_options_are_those_of_evaluate(
    folder: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command asks for what its options say, and the method for the same."""
    asked: list[ReportWishes] = []

    def document(_: SurveyFolder, wishes: ReportWishes) -> ReportDocument:
        asked.append(wishes)
        return EVERY_BLOCK

    monkeypatch.setattr("swathe.document.files.survey_document", document)
    out = tmp_path / "a.html"
    options = shlex.split(
        "--zone 'pit: 10 mm to 14 mm' --apart '9 mm' --square '4 mm' --corners --extremes "
        "--not-scanned '2 m x 3 m' --level '80 %' --lowest 3"
    )
    command = ["report", str(folder.path)]
    done = CliRunner().invoke(app, [*command, "--out", str(out), *options])
    assert done.exit_code == 0, done.output
    assert out.read_text("utf-8") == document_html(EVERY_BLOCK)
    survey = swathe.open_survey(folder.path)
    written = survey.report(
        tmp_path / "b.html", fill={"client": "x"}, lines=[1.0], zones=[Zone("pit", (10.0, 14.0))],
        separation=9.0, square=4.0, corners=True, extremes=True, not_scanned=6e6, levels=["80 %"],
        lowest=3,
    )  # fmt: skip
    assert written.read_text("utf-8") == document_html(EVERY_BLOCK)
    by_command, by_method = asked
    assert by_command.evaluation == by_method.evaluation
    assert by_method.evaluation["square"] == 4.0
    assert (by_method.fill, by_method.lines) == ({"client": "x"}, [1.0])
    monkeypatch.chdir(folder.path.parent)
    monkeypatch.setattr("swathe.document.files.print_pdf", lambda html: html.encode())
    (example,) = blocks("python", of=ROOT / "daemon/guide/report.md")
    exec(example.text.replace("penstock-3", folder.path.name), {})  # noqa: S102  the guide's example
    assert asked[2].evaluation == {"levels": ["80 %"], "square": 5.0}
    assert asked[3].evaluation == {"zones": [Zone("inlet", (0.0, 6.0))]}
    assert "size: A4" in Path("report.pdf").read_text("utf-8")
    with pytest.raises(SwatheError, match=r"\.html or \.pdf.*c\.txt"):
        survey.report(tmp_path / "c.txt")
    for option in (options[:2], options[2:4], options[4:6], ["--corners"], ["--lowest", "3"]):
        done = CliRunner().invoke(app, [*command, *option])
        assert "give --out report.html" in str(done.exception), option


def test_of_spots_no_squares(tmp_path: Path, spot_journal: SpotJournal) -> None:  # noqa: F811
    """Spots have no area: what is asked of one is refused by its name, not left out in silence."""
    folder = SurveyFolder(tmp_path)
    write_run(folder, spot_journal.entries)
    write_derived(folder, spot_journal.pipeline)
    with pytest.raises(SwatheError, match=r"one of spots.*has no square$"):
        survey_document(folder, ReportWishes(evaluation={"square": 4.0, "lowest": 3}))
    assert document_html(survey_document(folder, ReportWishes(evaluation={"lowest": 3})))
