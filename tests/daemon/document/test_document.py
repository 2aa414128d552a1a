"""The report of a survey: complete, equal to the figures elsewhere, and safe with a stranger's text."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from daemon.document.reports import HOSTILE, ReadReport, hostile_text, write_report_survey
from daemon.surveys import write_run
from daemon.test_inch_survey import MILLIMETRES, inch_text
from daemon.test_inch_survey import _entries as inch_entries
from swathe.document import ReportWishes, document_html, survey_document
from swathe.document.front import cover_facts
from swathe.document.material import gather
from swathe.document.model import DrawnPicture, Paragraph, ReportDocument
from swathe.document.thickness_part import lines_section, thickness_section, values_section
from swathe.errors import SurveyError, SwatheError
from swathe.evaluation import evaluate_arrays
from swathe.printable import printable
from swathe.report import survey_lines
from swathe.store import (
    SurveyFolder,
    open_arrays,
    read_survey_record,
    replay,
    write_derived,
)

WISHES = ReportWishes(made=datetime(2027, 1, 16, 9, 30, tzinfo=UTC), evaluation={"lowest": 3})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return a survey of two lines with a pit, a gap, an excluded zone and a failed check."""
    return write_report_survey(tmp_path_factory.mktemp("report") / "s", hostile_text())


@pytest.fixture(scope="module")
def document(folder: SurveyFolder) -> ReportDocument:
    """Return its report."""
    return survey_document(folder, WISHES)


@pytest.fixture(scope="module")
def html(document: ReportDocument) -> str:
    """Return its report as HTML."""
    return document_html(document)


@pytest.fixture(scope="module")
def report(html: str) -> ReadReport:
    """Return its report as it is read."""
    return ReadReport.of(html)


def test_a_strangers_text_stays_text(html: str, report: ReadReport) -> None:
    """No element, attribute or style comes from the survey; control characters are shown as escapes."""
    names = {name for name, _ in report.elements}
    assert not names & {"script", "iframe", "object", "embed", "link", "form", "svg", "base"}
    for name, attributes in report.elements:
        assert not [key for key in attributes if key.startswith("on")], name
        for key in ("src", "href"):
            value = attributes.get(key) or "#"
            assert value.startswith(("#", "data:image/png;base64,")), value
    assert printable(HOSTILE) in report.text  # the note
    assert "\x1b" not in html
    assert html.count("</style>") == 1
    assert "http:" not in html.replace("http://x/", "").replace("http-equiv", "")
    style = html.partition("<style>")[2].partition("</style>")[0]
    running = re.search(r'@top-left \{\s*content: "([^"]*)";', style)
    assert running
    assert set(re.sub(r"\\[0-9a-f]{6} ", "", running[1])) <= set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    )
    assert "@import" not in style


def test_every_line_of_the_text_is_in_the_document(
    folder: SurveyFolder, report: ReadReport
) -> None:
    """The text of `swathe report` and the document have the same facts, in the same words."""
    record = read_survey_record(folder.record)
    texts = set(report.texts)
    lines = [line.strip() for line in survey_lines(record)[1:]]
    kept = [
        line
        for line in lines
        if not line.startswith(("check ", "mark: ", "operator: ", "excluded"))
    ]
    assert len(kept) > 8
    assert [line for line in kept if printable(line) not in texts] == []
    assert sum(line.startswith("check 2 (") for line in texts) == 1  # the failed one
    assert (
        len([row for row in report.rows if row[-1:] == ["passed"] or row[-1:] == ["FAILED"]]) == 2
    )


def test_low_places_are_those_of_the_evaluation(folder: SurveyFolder, report: ReadReport) -> None:
    """Value and place of each, in the digits of the evaluation."""
    record = read_survey_record(folder.record)
    found = evaluate_arrays(open_arrays(folder), record=record, lowest=3)
    assert found.lowest
    for number, place in enumerate(found.lowest, 1):
        expected = [f"{place.thickness:.3f}", f"{place.scan:.1f}"]
        rows = [row for row in report.rows if row[:1] == [str(number)] and row[1:3] == expected]
        assert len(rows) == 1, expected
    assert found.survey.statistics is not None
    facts = {row[0]: row[1] for row in report.rows if len(row) == 2}
    assert facts["Mean"] == f"{found.survey.statistics.mean:.3f} mm"
    assert facts["Cells that count"] == f"{found.survey.statistics.cells:,}"


def test_cover_has_entries_and_lines_to_fill_in(folder: SurveyFolder, report: ReadReport) -> None:
    """What the station file names is on the cover; what it does not is an empty line."""
    rows = {row[0]: row[1] for row in report.rows if len(row) == 2}
    assert rows["Client"] == "Example Hydro"
    assert rows["Site"].strip("\xa0") == ""
    assert rows["Date of examination"] == "2027-01-15 (UTC)"
    assert rows["Report made"].startswith("2027-01-16 09:30 UTC, by Swathe ")
    fills = [
        attributes for name, attributes in report.elements if attributes.get("class") == "fill"
    ]
    assert len(fills) >= 6
    wishes = ReportWishes(fill={"client": "Another", "site": "Upper station"}, made=WISHES.made)
    facts = dict(cover_facts(gather(folder, wishes)).facts)
    assert (facts["Client"], facts["Site"], facts["Report number"]) == (
        "Another",
        "Upper station",
        "R-17",
    )


def test_unknown_entry_is_an_error_with_all_names(folder: SurveyFolder) -> None:
    """An entry that there is not, names those that there are."""
    with pytest.raises(SwatheError, match=r"'clint': .*Entries are number, client, site"):
        gather(folder, ReportWishes(fill={"clint": "x"}))


def test_what_is_not_seen_is_on_the_cover_and_next_to_figures(report: ReadReport) -> None:
    """Target missed, suspect cells; and how many required cells the figures rest on."""
    cover = report.text.partition("Report number")[0]
    assert "Coverage target not reached: " in cover
    assert re.search(r"\d+ cells SUSPECT by a failed calibration check", cover)
    rests = [text for text in report.texts if "rest on" in text and "required cells" in text]
    assert len(rests) == 3  # summary, coverage, statistics
    assert all("no signal" in text and "suspect" in text for text in rests)


def test_acceptance_is_not_ours(report: ReadReport) -> None:
    """On the cover, in the summary and above the signatures."""
    sentence = "Acceptance is for the responsible engineer under the local code."
    assert sum(text.startswith(sentence) for text in report.texts) == 3
    roles = {row[0] for row in report.rows if len(row) == 4}
    assert {"Examiner", "Reviewer", "Witness", "Responsible engineer"} <= roles


def test_pictures_have_their_size_and_words(document: ReportDocument) -> None:
    """Each fits a page of A4 and of letter, is as many pixels as its size asks for, and is described."""
    pictures = [
        block
        for section in document.sections
        for block in section.blocks
        if isinstance(block, DrawnPicture)
    ]
    titles = [picture.alternative for picture in pictures]
    assert len(titles) == len(set(titles)) == 7
    for picture in pictures:
        width, height = (int.from_bytes(picture.png[at : at + 4]) for at in (16, 20))
        assert width == pytest.approx(picture.width * 8, abs=2)
        assert height == pytest.approx(picture.height * 8, abs=2)
        assert picture.width <= 170
        assert picture.height <= 215
        assert picture.caption


def test_files_that_are_not_verified_are_on_the_cover(folder: SurveyFolder, tmp_path: Path) -> None:
    """Without digests, with a changed array, and with a damaged journal."""
    copy = tmp_path / "copy"

    def warnings() -> str:
        return "\n".join(gather(SurveyFolder(copy), WISHES).warnings)

    shutil.copytree(folder.path, copy)
    assert "VERIFIED" not in warnings()
    (copy / "digests.jsonl").unlink()
    assert "NOT VERIFIED: survey.json is not verified: digests.jsonl is missing" in warnings()
    shutil.copy(folder.path / "digests.jsonl", copy)
    chunk = copy / "survey.zarr" / "thickness" / "c" / "0" / "0"
    data = bytearray(chunk.read_bytes())
    data[-1] ^= 1
    chunk.write_bytes(data)
    told = warnings()
    assert "FILES DAMAGED: survey.zarr/thickness/c/0/0" in told
    assert "NO FIGURES OVER CELLS: " in told
    of = gather(SurveyFolder(copy), WISHES)
    for section in (thickness_section(of), values_section(of), lines_section(of)):
        (block,) = section.blocks
        assert isinstance(block, Paragraph)
        assert block.text.startswith("There are no figures over cells: ")
    (journal,) = (copy / "journal").glob("*.mcap")
    data = bytearray(journal.read_bytes())
    data[len(data) // 2] ^= 255
    journal.write_bytes(data)
    assert "JOURNAL DAMAGED" in warnings()
    record = copy / "survey.json"
    record.write_text(record.read_text().replace("Example", "Exomple").replace(":", ": ", 1))
    with pytest.raises(SurveyError, match=r"survey\.json"):
        gather(SurveyFolder(copy), WISHES)


def test_a_survey_in_inches_has_no_length_in_mm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Texts of the document and of its pictures have the unit of the survey."""
    drawn: list[str] = []

    def texts_of(figure: Figure) -> bytes:
        drawn.extend(text.get_text() for text in figure.findobj(Text))
        return b""

    for module in ("charts", "maps"):
        monkeypatch.setattr(f"swathe.document.{module}.sheet_png", texts_of)
    folder = SurveyFolder(tmp_path / "inch")
    with folder:
        write_run(folder, inch_entries(inch_text()))
        write_derived(folder, replay(folder))
    report = ReadReport.of(document_html(survey_document(folder, WISHES)))
    assert [text for text in (*report.texts, *drawn) if MILLIMETRES.search(text)] == []
    assert {"thickness, in", "scan, in", "index, in"} <= set(drawn)


def test_line_outside_is_an_error(folder: SurveyFolder) -> None:
    """A line that is asked for and is not there ends in an error with the borders."""
    with pytest.raises(SurveyError, match=r"covers -0\.5 to 1.5 mm"):
        lines_section(gather(folder, ReportWishes(lines=[7.0])))
