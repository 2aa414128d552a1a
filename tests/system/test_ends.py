"""Every end of a run is an end: from its first line on, and whatever hangs."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import DaemonProcess, read_until, station_text, swathe, wait_for
from swathe.store import read_survey_record
from swathe_simulators import World

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="/proc")

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]


def catches(pid: int, number: int) -> bool:
    """Return whether a process catches a signal."""
    lines = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    (mask,) = (line.split()[1] for line in lines if line.startswith("SigCgt"))
    return bool(int(mask, 16) >> (number - 1) & 1)


@pytest.fixture
def station(ports: Path, tmp_path: Path) -> Path:
    """Return a station file; nothing serves its ports unless a test does."""
    path = tmp_path / "station.toml"
    path.write_text(station_text("penstock", ports, speed=5))
    return path


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_while_the_command_is_still_loading_is_answered(
    station: Path, number: signal.Signals
) -> None:
    """It ends with a text, an exit code and no survey, not silently."""
    with subprocess.Popen(
        [sys.executable, "-m", "swathe", "run", "--no-picture", str(station)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPROFILEIMPORTTIME": "1"},
    ) as process:
        assert process.stderr is not None
        # Each import is a line: the first one of a library comes after signals are received.
        seen = []
        for line in process.stderr:
            seen.append(line)
            if "| typing_extensions" in line or "click" in line:
                break
        process.send_signal(number)
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 1, errors
    assert "before anything began: nothing was read, written or moved" in errors
    assert "Traceback" not in errors
    assert output == ""
    assert not (station.parent / "survey").exists()


@pytest.mark.slow
def test_signal_during_start_up_ends_the_run_in_good_order(
    serve: Serve, daemon: Start, station: Path
) -> None:
    """Once the journal is begun it is ended, and the record does not stay "scanning"."""
    survey = station.parent / "survey"
    serve("penstock", speed=5)
    process = daemon(station)
    wait_for(lambda: any(survey.glob("journal/*.mcap")), 30, "the journal")
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    assert "incomplete: terminated" in output
    assert read_survey_record(survey / "survey.json").status == "incomplete"


@pytest.mark.slow
def test_new_survey_is_refused_while_a_run_writes_to_the_old_one(
    serve: Serve, daemon: Start, station: Path
) -> None:
    """The live run does not notice; killed, it is reported as ended without a word."""
    survey = station.parent / "survey"
    serve("penstock", speed=5)
    live = daemon(station)
    wait_for((survey / "survey.json").exists, 30, "the record")
    refused = swathe("run", station, "--new")
    assert refused.returncode == 1
    assert "another swathe process writes to this survey: stop it first" in refused.stderr
    assert [one.name for one in station.parent.glob("survey*")] == ["survey"]
    assert live.running
    assert "a run writes to this survey now" in swathe("gaps", survey).stdout
    live.signal(signal.SIGKILL)
    live.finish()
    assert "the last run ended without a word at" in swathe("gaps", survey).stdout


# A disk on which a sync returns only when a file is gone; to a process it is like one that hangs.
HANGING = """
import os, sys, time
from pathlib import Path
real, flag = os.fdatasync, Path(sys.argv.pop(1))
def hang(descriptor):
    while flag.exists():
        time.sleep(0.01)
    real(descriptor)
os.fdatasync = hang
from swathe.entry import run_command
run_command()
"""


@pytest.mark.slow
@pytest.mark.parametrize("twice", [False, True])
def test_run_on_a_hanging_disk_reports_it_and_ends(
    serve: Serve, station: Path, tmp_path: Path, twice: bool
) -> None:
    """An alarm while it lasts; SIGTERM ends it in its time, a second signal at once, with a text."""
    flag = tmp_path / "hang"
    survey = station.parent / "survey"
    serve("penstock", speed=5)
    with subprocess.Popen(
        [sys.executable, "-c", HANGING, str(flag), "run", "--no-picture", str(station)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "SWATHE_END_WITHIN": "3600" if twice else "3", "PYTHONUNBUFFERED": "1"},
    ) as process:
        wait_for((survey / "survey.json").exists, 60, "the record")
        flag.touch()
        read_until(process, "the disk has not answered for")
        process.send_signal(signal.SIGTERM)
        if twice:
            read_until(process, "the end of the run waits for the disk")
            while process.poll() is None:  # one that follows at once counts as the first one
                process.send_signal(signal.SIGINT)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(0.5)
        output, _ = process.communicate(timeout=60)
    assert process.returncode == 1, output
    why = "it was asked a second time" if twice else "it did not end within 3 s"
    assert f"terminated; abandoned, as {why}; the last " in output
    assert "are not known to be on the disk; arrays and record may be older" in output
    assert "the last run ended without a word at" in swathe("gaps", survey).stdout
