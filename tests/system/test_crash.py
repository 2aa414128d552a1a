"""What a kill, a stop and a restart leave behind."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from support.daemon import DaemonProcess, read_until, station_text, swathe, wait_for
from support.kills import journalled, kill_in_mid_scan
from swathe.store import read_survey_record
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]


def test_kill_loses_nothing_older_than_50_ms(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """SIGKILL in mid-scan loses no reading older than 50 ms, and the next run goes on.

    What the computer withholds from the daemon, and from the simulated devices, comes on top.
    """
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=5))
    survey = tmp_path / "survey"
    world = serve("penstock", speed=5)
    sent_lines = 0
    for run in range(3):
        kill = kill_in_mid_scan(daemon(station), world, survey, after=2.0 + 0.013 * run)
        assert kill.age_ms <= kill.allowed_ms
        assert kill.doubled == 0
        sent_lines += kill.sent
    assert sent_lines > 500
    # Nothing is invented either, and what is derived can be made anew from three torn journals.
    result = swathe("rebuild", survey, "--no-picture")
    assert result.returncode == 0, result.stderr
    record = read_survey_record(survey / "survey.json")
    assert record.runs == 3
    assert record.progress.readings > 500
    gauge = next(port for port in record.ports if port.device == "gauge")
    assert set(gauge.faults) <= {"partial", "columns", "checksum", "unknown_line"}
    assert sum(gauge.faults.values()) <= 2 * record.runs  # a half line where a run began or ended


def test_resume_goes_on_and_new_begins_anew(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """Ctrl-C ends in good order; a second run resumes; --new keeps the old survey under a name."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=10))
    survey = tmp_path / "survey"
    serve("penstock", speed=10)
    first = daemon(station)
    wait_for((survey / "survey.json").exists, 20, "the record")
    time.sleep(4)
    first.signal(signal.SIGINT)
    code, output = first.finish()
    assert code == 3, output
    assert "incomplete: stopped by the user" in output
    after_first = read_survey_record(survey / "survey.json")
    assert after_first.status == "incomplete"
    assert 0 < after_first.progress.measured < after_first.progress.required
    assert swathe("gaps", survey).returncode == 3

    second = daemon(station)
    wait_for(
        lambda: (
            read_survey_record(survey / "survey.json").progress.measured
            > after_first.progress.measured
        ),
        60,
        "what the second run measured",
    )
    second.signal(signal.SIGTERM)
    code, output = second.finish()
    assert code == 3, output
    assert f"resuming {survey}" in output
    after_second = read_survey_record(survey / "survey.json")
    assert after_second.survey == after_first.survey
    assert after_second.runs == 2
    assert after_second.progress.measured > after_first.progress.measured

    third = daemon(station, "--new")
    wait_for(lambda: len(list(tmp_path.glob("survey-until-*"))) == 1, 20, "the old survey")
    time.sleep(1.5)
    third.signal(signal.SIGTERM)
    code, output = third.finish()
    assert code == 3, output
    (kept,) = tmp_path.glob("survey-until-*")
    assert read_survey_record(kept / "survey.json").survey == after_first.survey
    assert read_survey_record(survey / "survey.json").survey != after_first.survey


def test_other_plan_is_refused(serve: Serve, daemon: Start, ports: Path, tmp_path: Path) -> None:
    """A survey that was begun with another grid is not touched; the error names what changed."""
    station = tmp_path / "station.toml"
    text = station_text("penstock", ports, speed=10)
    station.write_text(text)
    serve("penstock", speed=10)
    first = daemon(station)
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the record")
    second = daemon(station)
    code, output = second.finish()
    assert code == 1
    assert "another swathe process writes to this survey: stop it first" in output
    first.signal(signal.SIGTERM)
    assert first.finish()[0] == 3
    station.write_text(text.replace('resolution = "4 mm"', 'resolution = "2 mm"'))
    code, output = daemon(station).finish()
    assert code == 1
    assert "was started with another plan (scan axis): restore it, or use --new" in output


def _measured_more(survey: Path, cells: int) -> bool:
    """Return whether the record states more than `cells` measured."""
    record = survey / "survey.json"
    return record.exists() and read_survey_record(record).progress.measured > cells


def test_rebuild_is_bit_identical(serve: Serve, daemon: Start, ports: Path, tmp_path: Path) -> None:
    """Everything derived comes out of the journal byte for byte as the live run wrote it."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=10))
    survey = tmp_path / "survey"
    serve("penstock", speed=10)
    measured = 0
    for run in (1, 2):  # so that there are two journals
        process = daemon(station)
        # What is stopped before the journal is replayed writes no derived files, and says so.
        wait_for(partial(_measured_more, survey, measured), 60, f"what run {run} measured")
        process.signal(signal.SIGTERM)
        assert process.finish()[0] == 3
        measured = read_survey_record(survey / "survey.json").progress.measured

    derived = [*sorted((survey / "survey.zarr").rglob("*")), survey / "survey.json"]
    live = {path: path.read_bytes() for path in derived if path.is_file()}
    assert len(live) > 10
    for path in live:
        path.unlink()
    result = swathe("rebuild", survey, "--no-picture")
    assert result.returncode == 0, result.stderr
    rebuilt = {path: path.read_bytes() for path in derived if path.is_file()}
    assert rebuilt == live


def test_full_disk_is_an_alarm_and_loses_nothing(serve: Serve, ports: Path, tmp_path: Path) -> None:
    """The run goes on without room, keeps what arrives, and writes it once there is room again.

    A real full disk needs a mount; a limit on the size of files fails the same system calls, with
    EFBIG in place of ENOSPC, and is taken away from outside.
    """
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=20))
    survey = tmp_path / "survey"
    segment = survey / "journal" / "0001.mcap"
    world = serve("penstock", speed=20)
    command = f"ulimit -S -f 120; exec {sys.executable} -m swathe run {station}"
    with subprocess.Popen(
        ["bash", "-c", command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        wait_for(lambda: segment.exists() and segment.stat().st_size == 120 << 10, 60, "no room")
        read_until(process, "File too large; make room")
        assert process.poll() is None
        assert segment.stat().st_size == 120 << 10
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
        wait_for(lambda: segment.stat().st_size > 150 << 10, 60, "what waited")
        process.send_signal(signal.SIGTERM)
        output, _ = process.communicate(timeout=60)
    assert process.returncode == 3, output
    assert "Traceback" not in output
    # Every line from the first one that it has to the last one is there.
    held = journalled(survey, "gauge")
    rows = world.truth.rows("gauge")
    sent = rows[~rows["dropped"]]
    found = np.flatnonzero([f"R,{clock},".encode() in held for clock in sent["clock_us"]])
    assert found.size > 500
    assert (np.diff(found) == 1).all()
    record = read_survey_record(survey / "survey.json")
    (alarm,) = (alarm for alarm in record.alarms if alarm.kind == "disk full")
    assert alarm.status == "over"
    derived = [*(survey / "survey.zarr").rglob("*"), survey / "survey.json"]
    live = {path: path.read_bytes() for path in derived if path.is_file()}
    assert swathe("rebuild", survey, "--no-picture").returncode == 0
    assert {path: path.read_bytes() for path in live} == live
