"""The commands as users type them."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import DaemonProcess, station_text, swathe
from swathe_simulators import World

Serve = Callable[..., World]


@pytest.mark.slow
def test_demo_covers_the_penstock(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """The demo ends covered: gaps appeared, were gone back to, and closed."""
    folder, result = demo
    assert result.returncode == 0, result.stdout + result.stderr
    assert "complete: the plan is covered" in result.stdout
    survey = folder / "penstock-3"
    gaps = swathe("gaps", survey, "--json")
    assert gaps.returncode == 0
    told = json.loads(gaps.stdout)
    assert told["target_reached"] is True
    assert {gap["status"] for gap in told["gaps"]} == {"closed"}
    assert "no signal" in {gap["cause"] for gap in told["gaps"]}
    assert "returning to" in result.stdout
    assert (survey / "thickness.png").read_bytes().startswith(b"\x89PNG")
    script = f"import xarray; print(xarray.open_zarr({str(survey / 'survey.zarr')!r}))"
    shown = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=True
    )
    assert "(index: 31, scan: 226)" in shown.stdout


def test_check_tells_all_mistakes_at_once(tmp_path: Path, ports: Path) -> None:
    """Every mistake of a station file is told in one go, each with its key and what it got."""
    station = tmp_path / "station.toml"
    text = station_text("penstock", ports)
    text = text.replace('resolution = "4 mm"', 'resolution = "-4 mm"')
    text = text.replace("counts_per_mm = 40", "counts_per_m = 40")
    text = text.replace('velocity = "5920 m/s"', 'velocity = "5920 mm"')
    text = text.replace('{ is = "amplitude"', '{ is = "amplitud"')
    station.write_text(text + "[broker]\nport = 99999\n[boker]\nport = 1\n")
    result = swathe("check", station)
    assert result.returncode == 1
    said = result.stderr
    assert "6 problems" in said
    for part in (
        "'scan.resolution' must be > 0.0 (got '-4 mm')",
        "'index.counts_per_m' is not a known key (got 40): did you mean 'counts_per_mm'?",
        "'calibration.velocity' must be a velocity with its unit, such as '5920 m/s'",
        "'device.gauge.protocol.columns[3].is' must be one of 'constant'",
        "'broker.port' must be <= 65535 (got 99999)",
        "'boker' is not a known key (got {'port': 1}): did you mean 'broker'?",
    ):
        assert part in said, said


@pytest.mark.slow
def test_check_shows_what_ports_receive(serve: Serve, tmp_path: Path, ports: Path) -> None:
    """A good file's ports are opened, and their newest bytes and records shown."""
    serve("penstock", speed=1)
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports))
    result = swathe("check", station, "--seconds", "2")
    assert result.returncode == 0, result.stdout + result.stderr
    assert "226 × 31 = 7,006 positions" in result.stdout
    assert "encoder: good" in result.stdout
    assert "newest record echo, time of flight" in result.stdout
    assert not (tmp_path / "survey").exists()


def test_check_tells_a_silent_and_a_missing_port(tmp_path: Path, ports: Path) -> None:
    """A port that is not there is told with its reason and the mend; the exit code is 1."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports))
    result = swathe("check", station, "--seconds", "0.5")
    assert result.returncode == 1
    assert "gauge: BAD, no bytes in 0.5 s" in result.stdout


def test_run_without_a_file_says_what_to_do() -> None:
    """Errors of usage name the mend."""
    result = swathe("run")
    assert result.returncode == 2
    assert "name the station file" in result.stderr
    result = swathe("run", "nowhere.toml")
    assert result.returncode == 1
    assert "nowhere.toml" in result.stderr
    result = swathe("gaps", "nowhere")
    assert result.returncode == 1
    assert "there is no such survey folder" in result.stderr


def test_describe_prints_valid_schemas() -> None:
    """The contract is printed with the payloads' schemas, which are themselves valid."""
    import jsonschema

    result = swathe("run", "--describe")
    assert result.returncode == 0
    described = json.loads(result.stdout)
    assert described["channels"]["gap"]["address"] == "swathe/{station}/gap/{number}"
    for schema in described["components"]["schemas"].values():
        jsonschema.Draft7Validator.check_schema(schema)


def test_simulate_serves_ports(tmp_path: Path) -> None:
    """A second terminal's simulator prints each port and ends on Ctrl-C."""
    process = subprocess.Popen(
        [sys.executable, "-m", "swathe", "simulate", "penstock", "--ports", str(tmp_path / "p")],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**__import__("os").environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(3)]
    assert lines[0].startswith("encoder: ")
    assert "at 115200 baud" in lines[0]
    assert (tmp_path / "p" / "gauge").is_symlink()
    process.send_signal(2)
    output, _ = process.communicate(timeout=20)
    assert process.returncode == 0, output
    assert "ended" in output
    assert not (tmp_path / "p" / "gauge").exists()


def test_unknown_scenario_is_told(tmp_path: Path) -> None:
    """A scenario that is no file and no built-in one is told."""
    result = swathe("simulate", tmp_path / "none.toml", "--ports", tmp_path / "p")
    assert result.returncode == 1
    assert "none.toml" in result.stderr


def test_daemon_process_is_killed_when_it_hangs(tmp_path: Path, ports: Path) -> None:
    """The tests' own patience has an end: a run without ports waits for them for ever."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports))
    process = DaemonProcess(station)
    with pytest.raises(AssertionError, match="did not end in"):
        process.finish(timeout=3)
