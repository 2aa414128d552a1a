"""Sections of a report: intervals, budgets, gaps, lines, A-scans, spots, and a survey that is written to."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.document.reports import hostile_text, write_report_survey
from daemon.handmade import MS, START, Motion, ended, opened
from daemon.pipeline.checks.test_suspect_cells import check
from daemon.pipeline.test_ascans import STATION as ASCANS
from daemon.pipeline.test_ascans import scan as ascans
from daemon.report.test_spots import journal as spot_journal  # noqa: F401  a fixture
from daemon.spot_journal import SpotJournal
from daemon.station.test_law import record as calibration
from daemon.station.test_law import text_with
from daemon.surveys import write_run
from swathe.document import ReportWishes
from swathe.document.build import survey_document
from swathe.document.coverage_part import coverage_section, plan_section
from swathe.document.front import summary_section
from swathe.document.history_part import events_section, files_section
from swathe.document.html import document_html
from swathe.document.material import ReportMaterial, gather
from swathe.document.model import DataTable, DrawnPicture, FactList, Paragraph, ReportSection
from swathe.document.quality_part import calibration_section, uncertainty_section
from swathe.document.thickness_part import lines_section, thickness_section
from swathe.journal import Mark, MarkKind
from swathe.pipeline import GapEnd
from swathe.station import budget_of
from swathe.store import SurveyFolder, replay, write_derived, write_manifest

UNCERTAINTY = '[uncertainty]\nrepeatability = "0.05 mm"\n'


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> ReportMaterial:
    """Return a line of 21 cells under a calibration record; a failed check makes the last suspect."""
    made = calibration()
    mark = opened(text_with(UNCERTAINTY))
    begin = Mark(mark.time, mark.kind, {**mark.detail, "calibration": made.model_dump(mode="json")})

    def as_read(mm: float) -> float:
        return (2 * mm / 5.93 + 0.42) * 5.92 / 2  # the gauge counts with another law

    first = Motion(lambda ms: (ms / 50 - 1,), lambda ms: as_read(10 - ms / 2000), 0, 600)
    last = Motion(lambda ms: ((ms - 1000) / 50 + 11,), lambda _: as_read(9.0), 1000, 1450)
    folder = SurveyFolder(tmp_path_factory.mktemp("calibrated") / "s")
    with folder:
        write_run(
            folder,
            [
                begin,
                *first.entries(),
                *check(610, {12.7: as_read(12.71), 5.08: as_read(5.09)}),
                *last.entries(),
                *check(1500, {12.7: as_read(13.2), 5.08: as_read(5.09)}),
                ended(START + 2500 * MS),
            ],
        )
        write_derived(folder, replay(folder))
    return gather(folder, ReportWishes(evaluation={"lowest": 3}))


def tables(section: ReportSection) -> dict[str, DataTable]:
    """Return the tables of a section by the first words of their captions."""
    found = [block for block in section.blocks if isinstance(block, DataTable)]
    return {table.caption.partition(" (")[0]: table for table in found}


def words(section: ReportSection) -> str:
    """Return the paragraphs of a section."""
    return "\n".join(one.text for one in section.blocks if isinstance(one, Paragraph))


def test_interval_of_a_low_place_is_that_of_its_budget(calibrated: ReportMaterial) -> None:
    """After JCGM 100 as `budget_of` has it; a suspect place has none."""
    section = thickness_section(calibrated)
    found = tables(section)
    lowest = found["Lowest places"]
    assert "interval of a reading mm" in lowest.heads
    assert calibrated.found is not None
    assert calibrated.station is not None
    for row, place in zip(lowest.rows, calibrated.found.lowest, strict=True):
        budget = budget_of(calibrated.station, place.thickness)
        assert budget is not None
        assert budget.expanded is not None
        low, high = place.thickness - budget.expanded, place.thickness + budget.expanded
        assert row[1:3] == (f"{place.thickness:.3f}", f"{low:.3f} to {high:.3f}")
    apart = found["Lowest places of suspect or unconfirmed cells"]
    assert "interval of a reading mm" not in apart.heads
    assert apart.rows[0][:2] == ("S1", "9.000")
    assert "that of a single reading (95.45%)" in words(section)


def test_interval_of_another_calibration_is_not_stated(calibrated: ReportMaterial) -> None:
    """Where the record's own budget is not the station file's, as after a rebuild with a calibration."""
    known = calibrated.record.uncertainty
    assert known is not None
    assert known.expanded_mm is not None
    other = known.model_copy(update={"expanded_mm": known.expanded_mm + 0.01})
    record = calibrated.record.model_copy(update={"uncertainty": other})
    section = thickness_section(replace(calibrated, record=record))
    assert "interval of a reading mm" not in tables(section)["Lowest places"].heads
    assert "computed with another calibration than its journal has" in words(section)


def test_what_is_zero_in_a_budget_is_named_as_that(calibrated: ReportMaterial) -> None:
    """A component that nobody stated is no 0.0000 in a table."""
    section = uncertainty_section(calibrated)
    budget, places = (block for block in section.blocks if isinstance(block, DataTable))
    assert [row[0] for row in budget.rows] == [
        "calibration", "coupling", "repeatability", "combined", "expanded",
    ]  # fmt: skip
    assert (
        "Zero in this budget, by what the station file and the record state: resolution"
        in words(section)
    )
    assert ("delay", "not stated") in [row[:2] for row in places.rows]


def test_calibration_has_serials_steps_and_a_failed_check(calibrated: ReportMaterial) -> None:
    """As the record of the calibration has them; not where another record was applied."""
    section = calibration_section(calibrated)
    (facts,) = (block for block in section.blocks if isinstance(block, FactList))
    named = dict(facts.facts)
    assert named["Step block"] == "B-7 serial 44, carbon steel"
    assert (named["Instrument"], named["Probe"]) == ("I, serial 2", "P, serial 1")
    found = tables(section)
    assert len(found["Steps of the block as they were read for the calibration"].rows) == 4
    checks = found["Calibration checks on the block, 2; times are UTC"]
    assert [row[-1] for row in checks.rows] == ["passed", "", "FAILED", ""]
    assert "check 2 (interval)" in words(section)
    applied = calibrated.record.calibration
    assert applied is not None
    other = applied.model_copy(update={"record": "another"})
    record = calibrated.record.model_copy(update={"calibration": other})
    section = calibration_section(replace(calibrated, record=record))
    assert not [block for block in section.blocks if isinstance(block, FactList)]
    assert "does not hold record another" in words(section)


def test_many_gaps_are_listed_by_size(tmp_path: Path) -> None:
    """Those with the most cells, in the order of their numbers; merged ones are counted."""
    folder = write_report_survey(tmp_path / "s", hostile_text())
    of = replace(gather(folder, ReportWishes()), cells=None)
    first = of.record.open_gaps[0]
    gaps = [
        first.model_copy(update={"number": number, "cells": number % 97, "parts": ()})
        for number in range(1, 201)
    ]
    gaps += [
        first.model_copy(update={"number": number, "status": "closed", "end": GapEnd.MERGED})
        for number in range(201, 204)
    ]
    gaps.append(
        first.model_copy(update={"number": 204, "status": "closed", "end": GapEnd.MEASURED})
    )
    record = of.record.model_copy(update={"gaps": tuple(gaps)})
    section = coverage_section(replace(of, record=record))
    opened_gaps, ended_gaps, _ = (one for one in section.blocks if isinstance(one, DataTable))
    numbers = [int(row[0]) for row in opened_gaps.rows]
    assert len(numbers) == 80
    assert numbers == sorted(numbers)
    assert min(number % 97 for number in numbers) >= 57
    assert "200; times are UTC; the 80 with the most cells" in opened_gaps.caption
    assert [row[0] for row in ended_gaps.rows] == ["204"]
    assert "3 that became part of another are not listed" in ended_gaps.caption


def test_gaps_of_a_line_have_a_length(calibrated: ReportMaterial) -> None:
    """In mm, not an area in mm²."""
    (gaps,) = tables(coverage_section(calibrated)).values()
    assert "length mm" in gaps.heads
    assert not [head for head in gaps.heads if "mm²" in head]


def test_survey_that_is_written_to_is_not_called_verified(tmp_path: Path) -> None:
    """A run holds its lock: files were not compared, which the cover and the files' section state."""
    folder = write_report_survey(tmp_path / "s", hostile_text())
    with folder:
        of = gather(SurveyFolder(folder.path), ReportWishes())
    assert of.check is None
    assert any(
        "were not compared with their digests: a process writes" in one for one in of.warnings
    )
    section = files_section(of)
    assert "The files were not compared with their digests" in words(section)
    assert "Every file of the survey was read" not in words(section)


def test_files_are_named_with_their_digests(tmp_path: Path, calibrated: ReportMaterial) -> None:
    """SHA-256 as hashlib computes them, and the manifest where there is one."""
    folder = calibrated.folder
    named = dict(_facts(files_section(calibrated)))
    digest = hashlib.sha256(folder.record.read_bytes()).hexdigest()
    assert named["SHA-256 of survey.json"] == digest
    assert named["Manifest"].startswith("none was written")
    (journal,) = tables(files_section(calibrated)).values()
    (name, size, known) = journal.rows[0]
    data = (folder.journal / name).read_bytes()[: int(size.replace(",", ""))]
    assert hashlib.sha256(data).hexdigest() == known
    copy = write_report_survey(tmp_path / "s", hostile_text())
    with copy:
        manifest = write_manifest(copy)
    text = dict(_facts(files_section(gather(copy, ReportWishes()))))["Manifest"]
    assert hashlib.sha256(manifest.read_bytes()).hexdigest() in text
    assert text.endswith("it is not signed")


def _facts(section: ReportSection) -> tuple[tuple[str, str], ...]:
    (facts,) = (block for block in section.blocks if isinstance(block, FactList))
    return facts.facts


@pytest.mark.slow
def test_lines_and_ascans_of_the_lowest_places(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A B-scan of the line of the lowest place, and an A-scan of each of four places, no more."""
    monkeypatch.setattr("swathe.document.charts.sheet_png", lambda _: b"")
    detail = {"survey": "s", "station": ASCANS, "versions": {}, "utc_ns": 10**18}
    echoes: list[tuple[int | None, int]] = [(20 + 7 * k % 11, 80) for k in range(24)]
    folder = SurveyFolder(tmp_path / "s")
    with folder:
        write_run(folder, [Mark(0, MarkKind.OPENED, detail), *ascans(10, echoes)])
        write_derived(folder, replay(folder))
    of = gather(folder, ReportWishes(evaluation={"lowest": 6}))
    assert of.found is not None
    assert len(of.found.lowest) > 4
    pictures = [one for one in lines_section(of).blocks if isinstance(one, DrawnPicture)]
    assert pictures[0].alternative == "Thickness along one line, and its B-scan"
    captions = [picture.caption for picture in pictures[1:]]
    assert captions == [
        f"A-scan of lowest place {number}: {place.thickness:.3f} mm at scan {place.scan:.1f} mm."
        for number, place in enumerate(of.found.lowest[:4], 1)
    ]


@pytest.mark.slow
def test_spots_have_a_report_without_maps(
    tmp_path: Path,
    spot_journal: SpotJournal,  # noqa: F811
) -> None:
    """Each spot by its line; nothing is said of cells, gaps or places."""
    folder = SurveyFolder(tmp_path)
    write_run(folder, spot_journal.entries)
    write_derived(folder, spot_journal.pipeline)
    document = survey_document(folder, ReportWishes())
    titles = [section.title for section in document.sections]
    assert titles[:4] == ["Summary", "Plan and datum", "Spots", "Calibration and checks"]
    html = document_html(document)
    assert "9.500 mm at done" in html
    assert "not done, 2 spots: jumpy, left" in html
    assert "scan 1" not in html


def test_events_have_alarms_notes_and_revisions(tmp_path: Path) -> None:
    """The failed check is an alarm; nothing was discarded, which is said."""
    of = gather(write_report_survey(tmp_path / "s", hostile_text()), ReportWishes())
    section = events_section(of)
    (alarms,) = tables(section).values()
    assert "check failed" in [row[3] for row in alarms.rows]
    assert "No reading was discarded or moved." in words(section)
    (plan,) = (one for one in plan_section(of).blocks if isinstance(one, DrawnPicture))
    assert "The circled cross is the datum" in plan.caption
    facts = dict(_facts(summary_section(of)))
    assert facts["Not confirmed"] == "raw 7.00 mm at scan 13.0 mm, index 0.0 mm TO CONFIRM"
