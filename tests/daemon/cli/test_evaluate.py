"""``swathe evaluate`` on a survey on disk, and what the guide shows of it."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.handmade import START, UTC, Motion, ended, opened, station_text
from support.documents import ROOT, Commands, blocks
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.journal import Entry, JournalWriter
from swathe.store import SurveyFolder, read_survey_record, replay, write_derived

# 21 cells of 1 mm; the echo is lost from 8 to 9 mm; the wall becomes thicker from 10 to 12 mm.
TEXT = station_text(scan_length=20, survey='nominal_thickness = "12 mm"')
MOTION = Motion(
    place=lambda ms: (ms / 100,),
    wall=lambda ms: "N" if 750 <= ms < 950 else 10.0 + ms / 1000,
    first=0,
    last=2100,
    sample_ms=10,
    reading_ms=4,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that holds the survey penstock-3."""
    path = tmp_path_factory.mktemp("evaluate")
    survey = SurveyFolder(path / "penstock-3")
    with survey:
        entries: list[Entry] = [opened(TEXT), *MOTION.entries(), ended(START + 2200 * 1_000_000)]
        with JournalWriter(survey.journal, wall_clock=lambda: UTC) as journal:
            for entry in entries:
                journal.write(entry)
        write_derived(survey, replay(survey))
    return path


def run(*arguments: object, code: int = 3) -> str:
    """Run the command and return what it printed; the survey does not meet its target."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    return result.output


def test_json_has_the_figures_and_the_records_minimum(folder: Path) -> None:
    """Of 21 cells two had no echo; seven of the others are below 90 % of 12 mm."""
    path = folder / "penstock-3"
    found = json.loads(run("evaluate", path, "--level", "90 %", "--square", "5 mm", "--json"))
    record = read_survey_record(path / "survey.json")
    assert found["record"]["minimum"] == record.progress.minimum == 10.004
    assert found["record"]["minimum_scan"] == 0.0
    assert found["record"]["open_gaps"] == 1
    assert found["record"]["line_profile"] is True
    survey = found["survey"]
    assert (survey["cells"], survey["measured"]) == (21, 19)
    assert survey["not_read"] == {"no_signal": 2}
    (level,) = survey["levels"]
    assert level["level"] == {"mm": 10.8, "percent": 90.0}
    assert level["cells"] == 8
    ((area,),) = (thin["areas"] for thin in found["thin"])
    assert area["scan"] == {"from": -0.5, "to": 7.5}
    assert (area["borders_unseen"], area["borders_edge"]) == (True, True)
    assert area["depth"] == pytest.approx(0.796, abs=1e-5)
    along, across = found["profiles"]
    assert along["lowest"][8] is None
    assert along["unseen"][7:11] == [0, 1, 1, 0]
    assert across["measured"] == [19]
    assert [one["figures"]["cells"] for one in found["squares"]] == [5, 5, 5, 5, 1]
    assert survey["statistics"]["percentiles"]["50"] == pytest.approx(11.1, abs=0.11)


def test_text_names_what_each_figure_rests_on(folder: Path) -> None:
    """Seen and unseen, lowest places, levels, thin areas, zone; the record's lines word for word."""
    path = folder / "penstock-3"
    output = run(
        "evaluate", path, "--level", "90 %", "--zone", "inlet: 0 mm to 10 mm", "--lowest", 2,
        "--square", "1 mm", "--extremes", "--not-scanned", "1 m x 1 mm",
    )  # fmt: skip
    lines = output.splitlines()
    report = run("report", path, code=0).splitlines()
    assert lines[1] == report[1]
    assert (
        "figures rest on 19 of 21 required cells, 90.47 % of 21.0 mm; not in them: 2 no signal"
        in lines
    )
    assert next(line for line in report if "uncertainty not stated" in line) in lines
    place = next(line for line in report if line.startswith("place along the scan axis"))
    assert place in lines
    assert "lowest places, at least 3.0 mm apart:" in lines
    at = lines.index("lowest places, at least 3.0 mm apart:")
    assert [line.split() for line in lines[at + 2 : at + 4]] == [
        ["1", "10.004", "0.0"],
        ["2", "10.252", "3.0"],
    ]
    assert any(
        line.startswith("below 90 % of nominal (10.80 mm): 8 cells, 8.0 mm, 42.11 % of")
        for line in lines
    )
    assert any(
        line.startswith(
            "1 thin area below 90 % of nominal (10.80 mm) (cells that share a side); 1 next to"
        )
        for line in lines
    )
    assert any("-0.5…7.5" in line and "not seen, edge" in line for line in lines)
    assert any(line.split()[:2] == ["inlet", "10.004"] and " 18.19" in line for line in lines)
    assert "19 squares were measured whole, and 30 are required" in output
    assert lines[-1].startswith("Measured values only; no statement of fitness for service.")


def test_inches_are_shown_where_the_survey_has_them(tmp_path: Path) -> None:
    """All lengths of the text are in the unit of the station file."""
    text = 'units = "in"\n' + TEXT
    survey = SurveyFolder(tmp_path / "inches")
    with survey:
        with JournalWriter(survey.journal, wall_clock=lambda: UTC) as journal:
            for entry in (opened(text), *MOTION.entries(), ended(START + 2200 * 1_000_000)):
                journal.write(entry)
        write_derived(survey, replay(survey))
    output = run("evaluate", survey.path, "--level", "0.4 in")
    assert "below 0.400 in: " in output
    assert " mm" not in output


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--zone", "0 mm to 5 mm"], "'--zone' must be a name and borders"),
        (["--zone", "a: 0 mm"], "'--zone' must be a name and borders"),
        (["--zone", "a: 50 mm to 60 mm"], "the zone 'a' holds no cell"),
        (["--square", "5"], "'--square' "),
        (["--not-scanned", "3 m", "--square", "5 mm", "--extremes"], "must be two sides"),
        (["--extremes"], "give their side"),
        (["--level", "thin"], "a level "),
    ],
)
def test_what_cannot_be_meant_is_an_error(folder: Path, arguments: list[str], text: str) -> None:
    """It names the option and what is required."""
    result = CliRunner().invoke(app, ["evaluate", str(folder / "penstock-3"), *arguments])
    assert result.exit_code == 1
    assert text in str(result.exception)


def test_the_guide_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its commands, and its Python block."""
    monkeypatch.chdir(folder)
    page = "daemon/guide/evaluation.md"
    commands = Commands(page)
    assert "10.80 mm" in run(*_words(commands.take("swathe")))
    (zone,) = json.loads(run(*_words(commands.take("swathe"))))["zones"]
    assert (zone["zone"]["name"], zone["figures"]["cells"]) == ("inlet", 7)
    assert "not stated" in run(*_words(commands.take("swathe")))
    assert commands.left == []
    (block,) = blocks("python", of=ROOT / page)
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(block.text, page, "exec"), {})  # noqa: S102  a page of ours
    assert printed.getvalue().splitlines()[0].startswith("19 21 9.52")
    assert printed.getvalue().splitlines()[3].startswith("10.")
    assert printed.getvalue().splitlines()[-1].startswith("10.0")


def _words(command: str) -> list[str]:
    import shlex

    return shlex.split(command)
