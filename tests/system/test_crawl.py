"""The crawler covers the plan by itself, resumed or mended: the whole daemon on real ports."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import typer

from support.crawl import (
    crawl_station,
    crawler_of,
    crawler_scenario,
    drive_crawler,
    marks,
    moved,
)
from support.daemon import DaemonProcess, swathe, wait_for
from swathe.cli.plan import plan
from swathe.cli.run import run
from swathe.errors import SwatheError
from swathe.journal import Chunk, MarkKind, Sent, read_journal
from swathe.store import read_survey_record
from swathe_simulators import Scenario, World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]


def test_run_with_arm_covers_the_plan_though_it_was_killed_in_mid_raster(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """After SIGKILL the next run homes, scans what is missing, goes back, and says what it did."""
    station, survey = tmp_path / "station.toml", tmp_path / "survey"
    # The encoder was switched on somewhere: only homing tells where its counts are.
    station.write_text(crawl_station(ports, speed=15, index_length=48, zero_count=-2500))
    world = serve(crawler_scenario(), speed=15)
    process = daemon(station, "--arm")
    wait_for(lambda: moved(world) > 1200, 90, "half of the raster")
    process.signal(signal.SIGKILL)
    _, output = process.finish()
    assert "no emergency stop" in output
    assert "homed first: index, scan" in output
    assert "homing: index, scan" in output
    assert "first move: 10 mm on each axis" in output
    gone = moved(world)
    code, output = daemon(station, "--arm").finish()
    assert code == 0, output
    lines = int(output.split(" lines that were left")[0].rsplit("raster of the ", 1)[1])
    assert 2 <= lines <= 5, output
    assert moved(world) - gone < 3600
    assert "returning to" in output
    assert "complete: the plan is covered" in output
    assert crawler_of(world).log.violations == []
    runs = [mark.detail["state"] for mark in marks(survey, MarkKind.MOTION)]
    assert runs.count("homing") == 4
    assert len(marks(survey, MarkKind.REFERENCED)) == 2
    record = read_survey_record(survey / "survey.json")
    assert record.target_reached
    assert record.crawler is not None
    assert [first.sound for first in record.crawler.first_moves] == [True, True]
    assert "no signal" in {str(gap.cause) for gap in record.gaps}
    entries = list(read_journal(survey / "journal"))
    sent = b"".join(e.data for e in entries if isinstance(e, Sent) and e.port == "motion")
    samples_of = b"".join(e.data for e in entries if isinstance(e, Chunk) and e.port == "motion")
    assert sent.startswith((b"?", b"G21"))
    assert b"G28 Y0\n" in sent
    assert b"homed Y\n" in samples_of
    report = swathe("report", survey).stdout
    assert "moved by a crawler: armed 2 times" in report
    assert "no emergency stop" in report
    # What the crawler said changes nothing in what is made of the journal again.
    before = json.loads((survey / "survey.json").read_bytes())
    assert swathe("rebuild", survey, "--no-picture").returncode == 0
    assert json.loads((survey / "survey.json").read_bytes()) == before


@pytest.mark.core
def test_run_without_arm_never_moves(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """Without --arm, and with nobody to ask, no byte goes to the crawler."""
    station = tmp_path / "station.toml"
    station.write_text(crawl_station(ports, speed=10))
    world = serve(crawler_scenario(), speed=10)
    process = daemon(station)
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the survey")
    begun = world.now_s
    wait_for(lambda: world.now_s > begun + 10, 20, "time")
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    assert "not armed and will not move" in output
    assert moved(world) == 0.0
    assert crawler_of(world).log.all() == []


@pytest.mark.parametrize(("typed", "moves"), [("arm", True), ("no", False)])
def test_terminal_asks_for_a_typed_confirmation(
    serve: Serve, ports: Path, tmp_path: Path, typed: str, moves: bool
) -> None:
    """In a terminal the plan and the caution are shown first; only 'arm' lets it move."""
    text = crawl_station(ports, speed=4)
    (station := tmp_path / "station.toml").write_text(text)
    world = serve(crawler_scenario(), speed=4)
    terminal, tty = pty.openpty()
    command = [sys.executable, "-m", "swathe", "run", "--no-picture", str(station)]
    with subprocess.Popen(command, stdin=tty, stdout=tty, stderr=tty, close_fds=True) as process:
        os.close(tty)
        said = b""
        while b"anything else" not in said:
            said += os.read(terminal, 4096)
        assert b"no emergency stop" in said
        assert moved(world) == 0.0
        os.write(terminal, typed.encode() + b"\n")
        end = time.monotonic() + 60
        stopped = False
        # Reading on keeps the board from waiting; a terminal that is closed ends the loop.
        with contextlib.suppress(OSError):
            while process.poll() is None and time.monotonic() < end:
                if select.select([terminal], [], [], 0.1)[0]:
                    said += os.read(terminal, 65_536)
                if not stopped and b"readings/s" in said and (moved(world) > 50) is moves:
                    # As where the link to the machine broke, and where somebody is there.
                    process.send_signal(signal.SIGHUP) if moves else os.write(terminal, b"qq")
                    stopped = True
        process.wait(20)
        os.close(terminal)
    assert process.returncode == 3
    assert (moved(world) > 50) is moves
    assert bool(crawler_of(world).log.all("stop")) is moves
    assert moves or crawler_of(world).log.all() == []


def test_arm_refused_where_the_station_file_does_not_allow_it(tmp_path: Path, ports: Path) -> None:
    """Both the station file and a person must allow it: --arm alone is an error with its mend."""
    station = tmp_path / "station.toml"
    station.write_text(crawl_station(ports, arm_allowed=False))
    with pytest.raises(SwatheError, match=r"'motion.arm_allowed' must be true \(got False\)"):
        run(station, arm=True)


def test_slip_is_mended_by_homing_where_the_station_file_grants_it(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """With recoveries granted it homes anew after a stall and covers the plan all the same."""
    world = serve(crawler_scenario(coupling=False, mishap={"stall": 0.2}), speed=12, seed=11)
    text = crawl_station(ports, speed=12, index_length=16, guard="recoveries = 20")
    (station := tmp_path / "station.toml").write_text(text)
    ended = asyncio.run(drive_crawler(station, seconds=90))
    assert ended.outcome.status == "complete", ended.outcome.reason
    assert crawler_of(world).log.all("stalled")
    assert any("continuing by itself" in words for words in ended.words)
    assert crawler_of(world).log.violations == []


def test_machine_that_moves_already_is_stopped_before_it_is_armed(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """What was told before a crash may still be under way: it is stopped, then the run begins."""
    world = serve(crawler_scenario(coupling=False), speed=2)
    text = crawl_station(ports, speed=2, retry='time_budget = "3 s"')
    (station := tmp_path / "station.toml").write_text(text)
    wire = os.open(ports / "crawler", os.O_RDWR | os.O_NOCTTY)
    os.write(wire, b"G21\nG90\nM17\nG1 X300 F600\n")
    wait_for(lambda: moved(world) > 10, 10, "the move of an earlier run")
    ended = asyncio.run(drive_crawler(station, seconds=40))
    os.close(wire)
    moves = "stopped: command without success: it moves though nothing was asked of it"
    assert any(words.startswith(moves) for words in ended.words), ended.words
    assert crawler_of(world).log.all("stop")[0].scan_mm < 250
    assert len(crawler_of(world).log.all("homed")) == 2
    assert ended.outcome.reason.startswith("time budget: the next move would pass it; ")
    assert "cells are missing" in ended.outcome.reason
    assert not ended.outcome.halted
    assert crawler_of(world).log.violations == []


def test_battery_budget_drives_home_and_the_next_run_homes_clear_of_the_lug(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """The charge covers the way home; where home is, the next run knows before it homes."""
    text = crawl_station(ports, speed=8, retry='battery_budget = "4 s"')
    (station := tmp_path / "station.toml").write_text(text)
    with World(crawler_scenario(coupling=False), ports_dir=ports, speed=8) as world:
        ended = asyncio.run(drive_crawler(station, seconds=40))
        assert ended.outcome.reason.startswith("battery budget: "), ended.outcome.reason
        assert ended.words.count("driving home") == 1
        last = world.truth.rows("encoder")[-1]
        assert (last["scan_mm"], last["index_mm"]) == pytest.approx((-60.0, 0.0), abs=0.2)
        assert world.crawler is not None
        assert world.crawler.log.violations == []
    # Behind the lug the index axis, homed first as the station file has it, would meet it.
    data = crawler_scenario(coupling=False).model_dump(mode="json")
    data["motion"] |= {"start_scan_mm": 330, "start_index_mm": 60}
    station.write_text(text.replace("battery_budget", "time_budget").replace("4 s", "2 s"))
    world = serve(Scenario.model_validate(data), speed=8)
    ended = asyncio.run(drive_crawler(station, seconds=40))
    assert ended.outcome.reason.startswith("time budget: "), ended.outcome.reason
    assert [homed.text for homed in crawler_of(world).log.all("homed")] == ["X", "Y"]
    assert crawler_of(world).log.violations == []


def test_stepped_index_axis_is_told_the_line_by_the_crawler(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """Where no encoder tells the index position, the crawler marks each line before it scans it."""
    world = serve(crawler_scenario(coupling=False), speed=12)
    old = 'resolution = "8 mm"\ndevice = "encoder"\ncounts_per_mm = 40\n'
    text = crawl_station(ports, speed=12, index_length=24)
    assert old in text
    (station := tmp_path / "station.toml").write_text(
        text.replace(old, 'resolution = "8 mm"\nmode = "stepped"\n')
    )
    ended = asyncio.run(drive_crawler(station, seconds=60))
    assert ended.outcome.status == "complete", ended.outcome.reason
    lines = [mark.detail["line"] for mark in marks(tmp_path / "survey", MarkKind.LINE)]
    assert set(lines) | {0} == set(range(4))
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    assert record.crawler is not None
    text = record.crawler.first_moves[0].text
    assert "10.0 mm measured by its encoder; index 10.0 mm commanded" in text
    assert text.endswith("no encoder to compare with")
    assert crawler_of(world).log.violations == []


def test_check_asks_the_crawler_and_moves_nothing(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """``swathe check`` tells where the motors are; a port that is not there is told as bad."""
    world = serve(crawler_scenario(), speed=10)
    (station := tmp_path / "station.toml").write_text(crawl_station(ports, speed=10))
    result = swathe("check", station, "--seconds", "1")
    assert result.returncode == 0, result.stdout + result.stderr
    assert "motion: good, answers, its motors are at scan" in result.stdout
    assert moved(world) == 0.0
    assert {happening.kind for happening in crawler_of(world).log.all()} <= {"hung_up"}
    station.write_text(crawl_station(ports, speed=10).replace("/crawler", "/elsewhere"))
    result = swathe("check", station, "--seconds", "1")
    assert result.returncode == 1
    assert "motion: BAD, " in result.stdout


def test_plan_command_tells_time_distance_and_cautions(
    tmp_path: Path, ports: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``swathe plan`` draws the plan and tells what is left out, without opening a port."""
    (station := tmp_path / "station.toml").write_text(crawl_station(ports))
    with pytest.raises(typer.Exit) as ended:
        plan(station, tmp_path / "plan.png")
    assert ended.value.exit_code == 0
    report = capsys.readouterr().out
    assert "11 lines along scan, serpentine, at 120.0 mm/s" in report
    assert "4 mm apart at rest, 22 mm at 120 mm/s" in report
    assert "no emergency stop" in report
    assert (tmp_path / "plan.png").read_bytes().startswith(b"\x89PNG")
    station.write_text(crawl_station(ports).replace("max_mm = 90", "max_mm = 70"))
    with pytest.raises(typer.Exit) as ended:
        plan(station, None)
    assert ended.value.exit_code == 3
    report = capsys.readouterr().out
    assert "left out: line 9, -2 to 402 mm: beyond the travel of the index axis" in report
