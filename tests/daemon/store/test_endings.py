"""What is reported of a survey whose last run did not end in good order."""

from __future__ import annotations

import json
import sys
from datetime import UTC as UTC_ZONE
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import xarray
from typer.testing import CliRunner

from daemon.handmade import MS, UTC
from daemon.surveys import RUNS, write_survey
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.store import (
    SurveyFolder,
    dataset_of,
    ending_text,
    read_survey_record,
    replay,
    write_derived,
)
from swathe.store.endings import last_entry_time

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no flock")


def printed(*arguments: object) -> str:
    """Return what the command prints, its spaces as one each."""
    return " ".join(CliRunner().invoke(app, [str(one) for one in arguments]).output.split())


@pytest.fixture
def dead(tmp_path: Path) -> SurveyFolder:
    """Return a survey whose run was killed: its journal has no end."""
    folder = write_survey(tmp_path / "survey", [RUNS[0][:-1]])
    write_derived(folder, replay(folder))
    return folder


def test_last_entry_time_is_that_of_the_journal_in_utc(dead: SurveyFolder) -> None:
    """By the opening mark's offset; the handmade run's last entry before its end says when."""
    opening, last = RUNS[0][0], RUNS[0][-2]
    expected = datetime.fromtimestamp((UTC + last.time - opening.time) / 1e9, UTC_ZONE)
    found = last_entry_time(dead)
    assert found is not None
    assert abs((found - expected).total_seconds()) < 0.001
    assert last.time > opening.time + 1000 * MS


def test_a_dead_run_is_reported_as_one(dead: SurveyFolder) -> None:
    """By gaps, report and surveys, each with the time, or with the state."""
    at = last_entry_time(dead)
    assert at is not None
    words = f"the last run ended without a word at {at:%Y-%m-%d %H:%M:%S} UTC"
    assert words in printed("gaps", dead.path)
    assert words in printed("report", dead.path)
    assert "ended without a word" in printed("surveys", dead.path.parent)
    assert json.loads(printed("gaps", dead.path, "--json"))["ended_without_a_word"] is True


def test_a_live_run_is_not_reported_dead(dead: SurveyFolder) -> None:
    """While somebody holds the lock the run lasts, whatever its journal lacks."""
    with SurveyFolder(dead.path):
        assert "a run writes to this survey now" in printed("gaps", dead.path)
        (row,) = json.loads(printed("surveys", dead.path.parent, "--json"))
        assert row["state"] == "scanning"
        assert json.loads(printed("gaps", dead.path, "--json"))["ended_without_a_word"] is False


def test_a_lock_that_cannot_be_read_proves_nothing(
    dead: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither dead nor alive is claimed."""
    monkeypatch.setattr(SurveyFolder, "written_now", None)
    record = read_survey_record(dead.record)
    assert "cannot be found out" in ending_text(dead, record)
    (row,) = json.loads(printed("surveys", dead.path.parent, "--json"))
    assert row["state"] == "not ended"


def test_a_run_that_ended_says_nothing(tmp_path: Path) -> None:
    """Its status says it all."""
    folder = write_survey(tmp_path / "survey", RUNS)
    write_derived(folder, replay(folder))
    assert ending_text(folder, read_survey_record(folder.record)) == ""


def test_cells_without_a_reading_have_no_time(tmp_path: Path) -> None:
    """NaT for xarray, from the arrays as from memory: not the first second of 1970."""
    folder = write_survey(tmp_path / "survey", RUNS)
    pipeline = replay(folder)
    write_derived(folder, pipeline)
    for data in (
        xarray.open_zarr(folder.zarr),
        dataset_of(pipeline.grid, {}),
    ):
        unread = data["hits"].values == 0
        times = data["last_time"].values
        assert times.dtype.kind == "M"
        assert unread.any()
        assert (~unread).any()
        assert np.isnat(times[unread]).all()
        assert (times[~unread] > np.datetime64("2000-01-01")).all()
