"""What is reported of a survey whose last run did not end in good order."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC as UTC_ZONE
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import xarray
from typer.testing import CliRunner

from daemon.handmade import MS, UTC
from daemon.surveys import RUNS, write_run, write_survey
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.errors import SurveyError
from swathe.journal import JournalWriter, Mark
from swathe.store import (
    SurveyFolder,
    dataset_of,
    ending_text,
    open_dataset,
    read_survey_record,
    replay,
    unverified_reason,
    write_derived,
)
from swathe.store.advice import REPAIR, advice
from swathe.store.endings import LastRun, last_entry_time, last_run

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no flock")


def printed(*arguments: object) -> str:
    """Return what the command prints, its spaces as one each."""
    return " ".join(CliRunner().invoke(app, [str(one) for one in arguments]).output.split())


def refusal(*arguments: object) -> str:
    """Return why a command is refused."""
    error = CliRunner().invoke(app, [str(one) for one in arguments]).exception
    assert isinstance(error, SurveyError)
    return str(error)


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


def second_run(folder: SurveyFolder, *, ends: bool) -> None:
    """Write the journal of a second run; what is derived stays that of the first."""
    write_run(folder, RUNS[1] if ends else RUNS[1][:-1])


@pytest.mark.parametrize("killed", [True, False])
def test_a_survey_that_is_being_resumed_is_reported_as_that(tmp_path: Path, killed: bool) -> None:
    """Whose figures these are is stated; the run before is dead only if it had no end."""
    folder = write_survey(tmp_path / "survey", [RUNS[0][:-1] if killed else RUNS[0]])
    write_derived(folder, replay(folder))
    with SurveyFolder(folder.path):
        second_run(folder, ends=False)
        text = printed("gaps", folder.path)
        assert "a run resumes this survey now: figures are those of the run before" in text
        assert ("the run before, which ended without a word, up to" in text) is killed
        assert "a run resumes this survey now" in printed("report", folder.path)
        (row,) = json.loads(printed("surveys", folder.path.parent, "--json"))
        assert row["state"] == "resuming"
        shown = json.loads(printed("gaps", folder.path, "--json"))
        assert shown["last_run"] == "resuming"
        assert shown["ended_without_a_word"] is False


@pytest.mark.parametrize("resumed", ["killed", "in good order"])
def test_a_run_killed_while_it_resumes_is_reported_dead(tmp_path: Path, resumed: str) -> None:
    """Also where the run before ended in good order, whose record this is."""
    folder = write_survey(tmp_path / "survey", [RUNS[0][:-1] if resumed == "killed" else RUNS[0]])
    write_derived(folder, replay(folder))
    second_run(folder, ends=False)
    at = last_entry_time(folder)
    assert at is not None
    words = f"the last run ended without a word at {at:%Y-%m-%d %H:%M:%S} UTC"
    assert words in printed("gaps", folder.path)
    assert last_run(folder, read_survey_record(folder.record)) is LastRun.DEAD
    write_derived(folder, replay(folder))
    assert words in printed("gaps", folder.path)


@pytest.mark.parametrize("before", ["killed", "in good order"])
def test_a_run_that_ended_before_its_journal_was_evaluated(tmp_path: Path, before: str) -> None:
    """It ended in good order: not dead; figures are older until the journal is replayed."""
    folder = write_survey(tmp_path / "survey", [RUNS[0][:-1] if before == "killed" else RUNS[0]])
    write_derived(folder, replay(folder))
    second_run(folder, ends=True)
    for command in ("gaps", "check"):
        text = printed(command, folder.path)
        assert "the last run ended before what it had journalled was evaluated" in text
        assert "without a word" not in text
    (row,) = json.loads(printed("surveys", folder.path.parent, "--json"))
    assert row["state"] == "not replayed"
    write_derived(folder, replay(folder))
    assert last_run(folder, read_survey_record(folder.record)) is LastRun.ENDED


def test_runs_that_do_not_scan_leave_the_record_current(tmp_path: Path) -> None:
    """One that only checks the calibration is none that the record lacks."""
    folder = write_survey(tmp_path / "survey", RUNS)
    opening = RUNS[1][0]
    assert isinstance(opening, Mark)
    check = opening._replace(detail={**opening.detail, "purpose": "check"})
    write_run(folder, [check, RUNS[1][-1]])
    write_derived(folder, replay(folder))
    record = read_survey_record(folder.record)
    assert record.runs == 2
    assert last_run(folder, record) is LastRun.ENDED
    assert ending_text(folder, record) == ""


def test_a_survey_that_is_rebuilt_now_is_not_reported_scanning(tmp_path: Path) -> None:
    """Its last run ended, and something holds its lock."""
    folder = write_survey(tmp_path / "survey", RUNS)
    write_derived(folder, replay(folder))
    with SurveyFolder(folder.path):
        assert "another swathe process writes to this survey now" in printed("gaps", folder.path)


def test_a_record_that_is_replaced_while_it_is_read_is_not_blamed(dead: SurveyFolder) -> None:
    """The journal has its end, the record that was read is older: not a run without a record."""
    earlier = read_survey_record(dead.record)
    with JournalWriter(dead.journal) as journal:
        for entry in RUNS[1]:
            journal.write(entry)
    write_derived(dead, replay(dead))
    assert "a run ended while this was read" in ending_text(dead, earlier)


@contextmanager
def written_elsewhere(folder: SurveyFolder) -> Iterator[None]:
    """Let another process hold the survey's lock."""
    code = (
        "import fcntl, sys; lock = open(sys.argv[1], 'ab'); fcntl.flock(lock, fcntl.LOCK_EX);"
        " print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(folder.path / ".lock")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "held\n"
        yield
        process.stdin.close()


def test_the_writer_itself_is_not_told_to_wait(dead: SurveyFolder) -> None:
    """It is the process that writes: what it cannot read it repairs, or somebody after its end."""
    with dead:
        assert SurveyFolder(dead.path).written_here
        assert advice(SurveyFolder(dead.path), REPAIR) == REPAIR
    assert not dead.written_here
    with written_elsewhere(dead):
        assert not dead.written_here
        assert "read it again in a moment" in advice(dead, REPAIR)


@pytest.mark.parametrize("damage", ["missing", "other", "cut"])
def test_no_repair_is_advised_while_a_run_writes(dead: SurveyFolder, damage: str) -> None:
    """Rebuild and repair are refused then: the advice is to wait; without a writer it is to repair."""
    data = dead.record.read_bytes()
    dead.record.unlink()
    if damage != "missing":
        dead.record.write_bytes(data.replace(b"part", b"trap") if damage == "other" else data[:99])
    with written_elsewhere(dead):
        found = refusal("gaps", dead.path)
        assert "a process writes to the survey now: read it again in a moment" in found
        assert "if it is still so then, run `swathe" in found
    assert "a process writes" not in refusal("gaps", dead.path)
    assert "run `swathe" in refusal("gaps", dead.path)


def test_no_repair_of_arrays_is_advised_while_a_run_writes(dead: SurveyFolder) -> None:
    """Likewise of arrays, and of the digests."""
    chunk = dead.zarr / "hits" / "c" / "0" / "0"
    chunk.write_bytes(chunk.read_bytes()[:-1] + b"x")
    for writer, words in ((written_elsewhere(dead), "read it again"), (nullcontext(), "--repair")):
        with writer, pytest.raises(SurveyError, match=words):
            open_dataset(dead.zarr)["hits"].load()
    (dead.path / "digests.jsonl").unlink()
    with written_elsewhere(dead):
        assert "read it again in a moment" in unverified_reason(dead)
    assert "read it again" not in unverified_reason(dead)


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
