"""`init` for devices at hand: by flags alone, and in a terminal."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import swathe.cli.main  # noqa: F401  registers every subcommand
from support.shell import ShellTerminal
from swathe.cli.app import app
from swathe.errors import StationError, SwatheError
from swathe.station import read_station

DEVICES = "--gauge /dev/ttyS8 --gauge-protocol scpi_counter"
PLAN = "--length '1 m' --width 0 --cell '4 mm' --nominal '14 mm' --scan-scale 20"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the empty folder in which commands run."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def init(arguments: str) -> Result:
    """Run `swathe init` where nobody can be asked."""
    return CliRunner().invoke(app, ["init", *shlex.split(arguments)])


def test_flags_alone(folder: Path) -> None:
    """The station file and the description's; named after the part."""
    result = init(f"{DEVICES} {PLAN} --part 'Penstock 3, crown'")
    assert result.exit_code == 0, result.exception
    assert sorted(path.name for path in folder.iterdir()) == [
        "penstock-3-crown.toml",
        "scpi_counter.toml",
    ]
    station, _ = read_station(folder / "penstock-3-crown.toml")
    assert station.device["instrument"].description == "scpi_counter.toml"
    assert "\n  swathe check penstock-3-crown.toml\n" in result.output


@pytest.mark.parametrize(
    ("arguments", "missing"),
    [
        ("", ["gauge", "gauge-protocol", "length", "width", "cell", "nominal"]),
        ("--spots 3", ["gauge", "gauge-protocol", "nominal"]),
        (f"{DEVICES} --encoder /dev/ttyS7 {PLAN}", ["encoder-protocol"]),
        (DEVICES, ["length", "width", "cell", "nominal", "scan-scale"]),
        ("--gauge /dev/ttyS8 --gauge-protocol nmea_gauge", ["spots", "nominal"]),
        (f"{DEVICES} --length '1 m' --width '80 mm' --cell '4 mm' --nominal '14 mm'", ["scan-scale"]),
    ],
)  # fmt: skip
def test_missing_flags_are_all_named(folder: Path, arguments: str, missing: list[str]) -> None:
    """Each with what it is; nothing is written."""
    result = init(arguments)
    assert isinstance(result.exception, SwatheError)
    named = [line.split()[0] for line in str(result.exception).splitlines() if line[:4] == "  --"]
    assert named == [f"--{key}" for key in missing]
    assert "--simulated SCENARIO" in str(result.exception)
    assert list(folder.iterdir()) == []


def test_no_station_file_is_overwritten(folder: Path) -> None:
    """Without --force; that of the description is there already, and the same."""
    (folder / "own.toml").write_text("mine")
    result = init(f"own.toml {DEVICES} {PLAN}")
    assert isinstance(result.exception, SwatheError)
    assert "not overwritten" in str(result.exception)
    assert {path.name: path.read_text() for path in folder.iterdir()} == {"own.toml": "mine"}
    assert init(f"own.toml {DEVICES} {PLAN} --force").exit_code == 0
    assert read_station(folder / "own.toml")[0].name == "own"
    assert init(f"second.toml {DEVICES} {PLAN}").exit_code == 0
    assert len(list(folder.iterdir())) == 3


def test_no_description_is_overwritten(folder: Path) -> None:
    """Another one of that name is kept, and the new one gets the next name."""
    (folder / "scpi_counter.toml").write_text("mine")
    assert init(f"own.toml {DEVICES} {PLAN}").exit_code == 0
    assert (folder / "scpi_counter.toml").read_text() == "mine"
    station, _ = read_station(folder / "own.toml")
    assert station.device["instrument"].description == "scpi_counter-2.toml"
    assert init(f"own.toml {DEVICES} {PLAN} --force").exit_code == 0
    assert (folder / "scpi_counter.toml").read_text() != "mine"
    result = init(f"scpi_counter-3.toml {DEVICES} {PLAN}")
    assert result.exit_code == 0


def test_a_station_file_is_no_description(folder: Path) -> None:
    """One file cannot be both."""
    result = init(f"scpi_counter.toml {DEVICES} {PLAN}")
    assert "name the station file otherwise" in str(result.exception)
    assert list(folder.iterdir()) == []


def test_a_plan_that_cannot_be_is_refused(folder: Path) -> None:
    """As `check` would."""
    result = init(f"{DEVICES} {PLAN.replace('4 mm', '2 m')}")
    assert isinstance(result.exception, StationError)
    assert "scan.length" in str(result.exception)
    assert list(folder.iterdir()) == []


def test_devices_of_ones_own_and_a_scenario_exclude_each_other() -> None:
    """The scenario has its devices."""
    result = init(f"--simulated belt {DEVICES}")
    assert "leave --gauge, --gauge-protocol out" in str(result.exception)


def test_in_a_terminal(folder: Path) -> None:
    """A bad answer is asked for again, Ctrl-C writes nothing, and the answers are in the file."""
    command = shlex.join([sys.executable, "-m", "swathe", "init", "own.toml"])
    with ShellTerminal() as terminal:
        terminal.type(f"cd {shlex.quote(str(folder))}; {command} {DEVICES}\r")
        terminal.wait_for("[unnamed part]: ")
        terminal.type("Crown\r")
        terminal.wait_for("[900 mm]: ")
        terminal.type("\x03")
        terminal.wait_for("nothing is written")
        assert list(folder.iterdir()) == []
        terminal.type(f"{command} {DEVICES} --width 0 --nominal '12 mm' --cell '2 mm'\r")
        terminal.wait_for("[unnamed part]: ")
        terminal.type("Crown\r")
        terminal.wait_for("[900 mm]: ")
        terminal.type("2\r")
        terminal.wait_for("must be a length with its unit")
        terminal.wait_for("[900 mm]: ")
        terminal.type("\r")
        terminal.wait_for("50 mm x 1024: ")
        terminal.type("50 mm x 1024\r")
        terminal.wait_for("swathe run own.toml")
        terminal.type(f"touch crown.toml; {command[:-9]} {DEVICES} {PLAN} --part Crown\r")
        terminal.wait_for("swathe run crown-2.toml")
    station, _ = read_station(folder / "own.toml")
    assert station.survey.part == "Crown"
    assert station.shape == (1, 451)
    assert station.scan.wheel is not None
    assert station.scan.wheel.pulses == 1024
