"""`swathe init`: what it writes, prints and refuses."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import swathe.cli.main  # noqa: F401  registers every subcommand
from swathe.cli.app import app
from swathe.errors import SwatheError
from swathe.station import read_station
from swathe_simulators import builtin_scenario, builtin_scenarios, load_scenario


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the empty folder in which commands run."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def init(arguments: str) -> Result:
    """Run `swathe init`."""
    return CliRunner().invoke(app, ["init", *shlex.split(arguments)])


@pytest.mark.parametrize("name", builtin_scenarios())
def test_pair_of_a_scenario(folder: Path, name: str) -> None:
    """The station is valid, the simulation is the scenario, and the commands name both files."""
    result = init(f"--simulated {name}")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in folder.iterdir()) == [
        f"{name}-simulation.toml",
        f"{name}.toml",
    ]
    station, _ = read_station(folder / f"{name}.toml")
    assert station.name == name
    assert load_scenario(folder / f"{name}-simulation.toml") == load_scenario(
        builtin_scenario(name)
    )
    commands = [line.strip() for line in result.output.splitlines() if line.startswith("  swathe ")]
    assert commands[0] == f"swathe simulate {name}-simulation.toml"
    scans = {
        "array": f"swathe run {name}.toml --arm",
        "belt": f"swathe run {name}.toml --arm",
        "crawler": f"swathe run {name}.toml --arm",
        "block": f"swathe calibrate thickness {name}.toml --by NAME",
    }
    assert commands[1] == scans.get(name, f"swathe run {name}.toml")
    again = init(f"--simulated {name}")
    assert isinstance(again.exception, SwatheError)
    assert "not overwritten" in str(again.exception)
    assert init(f"--simulated {name} --force --part other").exit_code == 0
    assert read_station(folder / f"{name}.toml")[0].survey.part == "other"


def test_a_scenario_of_ones_own_is_not_copied(folder: Path) -> None:
    """The station takes the name of its file, and the command names the scenario's own file."""
    own = folder / "my pipe.toml"
    own.write_text(builtin_scenario("belt").read_text("utf-8"), "utf-8")
    result = init("'site/north.toml' --simulated 'my pipe.toml' --length '60 mm'")
    assert result.exit_code == 0, result.output
    assert "  swathe simulate 'my pipe.toml'\n" in result.output
    assert "  swathe run site/north.toml --arm\n" in result.output
    assert "  swathe report site/north\n" in result.output
    assert [path.name for path in (folder / "site").iterdir()] == ["north.toml"]
    assert read_station(folder / "site" / "north.toml")[0].name == "north"


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        ("--simulated bel", "no scenario and no file is named 'bel' (is 'belt' meant?)"),
        ("--simulated belt --length 900", "'--length' must be a length with its unit"),
        ("--simulated belt --length '0 mm'", "'--length' must be > 0 (got '0 mm')"),
        ("--simulated belt --width '-1 mm'", "'--width' must be 0, for a single line, or more"),
        ("--simulated belt --cell '1 mm x 2 mm x 3 mm'", "'--cell' must be one length, or two"),
        ("--simulated belt --name 'a b'", "'--name' must be 1 to 64 letters"),
        ("'a b.toml' --simulated belt", "the station's name must be 1 to 64 letters"),
        ("--simulated belt --width 0", "'--width' must be > 0: the scenario has several lines"),
        ("--simulated belt --nominal '14 kg'", "'--nominal' must be a length"),
        ("--simulated belt --part '\udce9'", "'--part' must be text"),
        ("--simulated belt --cell '10 m'", "'scan.length' must be at least one resolution"),
    ],
)
def test_what_cannot_be_is_named_and_nothing_written(
    folder: Path, arguments: str, error: str
) -> None:
    """The error has the option, what it must be and what it is."""
    result = init(arguments)
    assert isinstance(result.exception, SwatheError), result.output
    assert error in str(result.exception)
    assert list(folder.iterdir()) == []
