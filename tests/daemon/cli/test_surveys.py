"""Lists and reports of several surveys, by the command itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.surveys import RUNS, write_survey
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.store import replay, write_derived


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with two surveys, one within the other, and what is none."""
    for name in ("day", "day/belt 2"):
        survey = write_survey(tmp_path / name, RUNS[:1] if name == "day" else RUNS)
        write_derived(survey, replay(survey))
    (tmp_path / "notes").mkdir()
    return tmp_path


def run(*arguments: object, code: int) -> str:
    """Run the command and return what it printed."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    return result.output


def test_surveys_are_listed_with_what_they_reached(folder: Path) -> None:
    """One within another is a survey of its own."""
    lines = run("surveys", folder, code=3).splitlines()
    assert lines[0].split() == ["survey", "part", "area", "begun", "coverage", "minimum", "state"]
    assert [line.split("  ")[0] for line in lines[1:3]] == ["day", "day/belt 2"]
    rows = json.loads(run("surveys", folder, "--json", code=3))
    assert [row["folder"] for row in rows] == ["day", "day/belt 2"]
    for row, line in zip(rows, lines[1:3], strict=True):
        assert row["state"] == "incomplete"
        assert f"{row['progress']['percent']:.2f} %" in line
        assert f"{row['progress']['minimum']:.3f} mm" in line
    assert rows[0]["progress"]["percent"] < rows[1]["progress"]["percent"]
    assert rows[0]["open_gaps"] > 0


def test_a_survey_whose_record_is_damaged_is_listed_with_the_reason(folder: Path) -> None:
    """The others are listed as before; the exit code does not state success."""
    (folder / "day" / "survey.json").write_text("{", "utf-8")
    output = run("surveys", folder, code=3)
    assert "swathe check --repair" in " ".join(output.split())
    assert "day/belt 2" in output
    rows = json.loads(run("surveys", folder, "--json", code=3))
    assert [(row["state"], bool(row["problem"])) for row in rows] == [
        ("unknown", True),
        ("incomplete", False),
    ]


def test_no_survey_and_no_folder(folder: Path) -> None:
    """An empty folder is no error; one that is not there is."""
    assert "no survey in" in run("surveys", folder / "notes", code=0)
    result = CliRunner().invoke(app, ["surveys", str(folder / "nowhere")])
    assert "there is no such folder" in str(result.exception)


def test_report_of_several_surveys_begins_with_their_list(folder: Path) -> None:
    """A folder stands for the surveys below it; the minimum of all is named with its survey."""
    rows = json.loads(run("surveys", folder, "--json", code=3))
    output = run("report", folder, code=0)
    assert "0 of 2 surveys with the target coverage reached" in output
    thin = min(rows, key=lambda row: row["progress"]["minimum"])
    assert f"minimum of all {thin['progress']['minimum']:.3f} mm" in output
    assert output.count("open, ") == 2
    alone = run("report", folder / "day", code=0)
    assert "minimum of all" not in alone
    assert alone in output
    result = CliRunner().invoke(app, ["report", str(folder), "--line", "0 mm"])
    assert "a drawing or a document is of one survey" in str(result.exception)
    result = CliRunner().invoke(app, ["report", str(folder / "notes")])
    assert "is not a survey" in str(result.exception)
