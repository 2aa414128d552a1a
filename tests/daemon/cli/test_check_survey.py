"""`swathe check SURVEY`, and what other commands do with a damaged survey."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from daemon.surveys import RUNS, write_survey
from swathe import store
from swathe.cli import main  # noqa: F401  registers the commands
from swathe.cli.app import Exit, app
from swathe.store import (
    SurveyFolder,
    VerifiedRecord,
    read_survey_record,
    replay,
    write_derived,
)


def invoke(*arguments: object) -> Result:
    """Run a command."""
    return CliRunner().invoke(app, [str(one) for one in arguments])


@pytest.fixture
def survey(tmp_path: Path) -> SurveyFolder:
    """Return a survey of one run."""
    folder = write_survey(tmp_path / "survey", RUNS[:1])
    write_derived(folder, replay(folder))
    return folder


def test_good_survey(survey: SurveyFolder) -> None:
    """Exit code 0, and what was verified is counted."""
    result = invoke("check", survey.path)
    assert result.exit_code == Exit.OK
    assert "journal: 1 file, good" in result.output
    assert "derived files: " in result.output


def test_check_writes_nothing(survey: SurveyFolder) -> None:
    """A survey on a medium that takes no writing is checked, and one that is being written is not."""
    before = sorted(p.name for p in survey.path.iterdir())
    assert ".lock" not in before
    assert invoke("check", survey.path).exit_code == Exit.OK
    assert sorted(p.name for p in survey.path.iterdir()) == before
    with survey:
        refused = invoke("check", survey.path)
    assert "a run writes to it" in str(refused.exception)


def test_damaged_derived_files_are_named_and_repaired(survey: SurveyFolder) -> None:
    """Exit code 1 while they are damaged, 0 after the repair; what did not match is kept."""
    undamaged = survey.record.read_bytes()
    survey.record.write_bytes(undamaged.replace(b"incomplete", b"complete"))
    for command in ("gaps", "report"):
        refused = invoke(command, survey.path)
        assert refused.exit_code == Exit.ERROR
        assert "is not the file that was written" in str(refused.exception)
    result = invoke("check", survey.path)
    assert result.exit_code == Exit.ERROR
    assert "DAMAGED: survey.json is not the file that was written" in result.output
    repaired = invoke("check", survey.path, "--repair")
    assert repaired.exit_code == Exit.OK
    assert survey.record.read_bytes() == undamaged
    assert (survey.path / "set-aside" / "1" / "survey.json").is_file()
    assert invoke("gaps", survey.path).exit_code == Exit.NOT_COVERED


def test_damaged_journal_has_an_exit_code_of_its_own(survey: SurveyFolder) -> None:
    """A journal that was cut below what its digests cover ends in 5; no manifest is written."""
    path = survey.journal / "0001.mcap"
    path.write_bytes(path.read_bytes()[:-500])
    result = invoke("check", survey.path)
    assert result.exit_code == Exit.JOURNAL_DAMAGED
    assert "journal: DAMAGED: journal/0001.mcap was cut to" in result.output
    assert invoke("manifest", survey.path).exit_code == Exit.JOURNAL_DAMAGED
    assert not (survey.path / "MANIFEST.sha256").exists()
    assert invoke("manifest", survey.path, "--as-it-is").exit_code == Exit.JOURNAL_DAMAGED
    assert (survey.path / "MANIFEST.sha256").exists()


def test_unverified_survey_is_never_covered(survey: SurveyFolder) -> None:
    """Without digests the gaps are listed, with a warning, and the exit code is not 0."""
    (survey.path / "digests.jsonl").unlink()
    result = invoke("gaps", survey.path)
    assert "NOT VERIFIED" in result.output + (result.stderr if result.stderr_bytes else "")
    assert result.exit_code == Exit.NOT_COVERED
    (row,) = json.loads(invoke("surveys", survey.path, "--json").output)
    assert "digests.jsonl is missing" in row["unverified"]


@pytest.mark.parametrize(("reason", "code"), [("", Exit.OK), ("no digest", Exit.NOT_COVERED)])
def test_covered_survey_that_is_not_verified_is_no_success(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch, reason: str, code: int
) -> None:
    """Exit code 0 of `gaps` requires both, whatever the record states."""
    record = read_survey_record(survey.record).model_copy(update={"target_reached": True})
    found = VerifiedRecord(record, reason)
    monkeypatch.setattr(store, "read_verified_record", lambda _folder: found)
    assert invoke("gaps", survey.path).exit_code == code


def test_manifest_of_a_good_survey(survey: SurveyFolder) -> None:
    """It is written, and its path is printed."""
    result = invoke("manifest", survey.path)
    assert result.exit_code == Exit.OK
    assert str(survey.path / "MANIFEST.sha256") in result.output.replace("\n", "")


def test_repair_is_of_a_survey(tmp_path: Path) -> None:
    """A station file has nothing that could be repaired."""
    (tmp_path / "station.toml").write_text("")
    assert invoke("check", tmp_path / "station.toml", "--repair").exit_code == Exit.USAGE
