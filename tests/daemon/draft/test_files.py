"""New files are written whole, all or none, and never over others by accident."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from swathe.draft import PlanWishes, simulated_draft, station_file_text, write_station_files
from swathe.errors import StationError, SwatheError
from swathe_simulators import builtin_scenario, load_scenario

TEXT = station_file_text(
    simulated_draft(
        load_scenario(builtin_scenario("belt")), PlanWishes(length="60 mm"), name="belt"
    ).tables
)


@pytest.mark.parametrize("there", ["belt.toml", "belt-simulation.toml"])
def test_nothing_is_overwritten(tmp_path: Path, there: str) -> None:
    """One file that is there keeps both from being written, and is as it was."""
    (tmp_path / there).write_text("mine")
    station, other = tmp_path / "belt.toml", tmp_path / "belt-simulation.toml"
    with pytest.raises(SwatheError, match=r"already there, and not overwritten.*--force"):
        write_station_files(station, TEXT, {other: "x = 1"}, force=False)
    assert [path.name for path in tmp_path.iterdir()] == [there]
    assert (tmp_path / there).read_text() == "mine"
    write_station_files(station, TEXT, {other: "x = 1"}, force=True)
    assert (station.read_text("utf-8"), other.read_text("utf-8")) == (TEXT, "x = 1")
    assert len(list(tmp_path.iterdir())) == 2


def test_a_dangling_link_is_not_followed(tmp_path: Path) -> None:
    """A link of that name counts as a file that is there."""
    (tmp_path / "belt.toml").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SwatheError, match="already there"):
        write_station_files(tmp_path / "belt.toml", TEXT, {}, force=False)
    write_station_files(tmp_path / "belt.toml", TEXT, {}, force=True)
    assert not (tmp_path / "elsewhere").exists()


def test_a_file_that_would_not_be_valid_is_not_written(tmp_path: Path) -> None:
    """Neither it nor what goes with it."""
    wrong = TEXT.replace('resolution = "4 mm"', 'resolution = "4 kg"')
    with pytest.raises(StationError, match=r"scan\.resolution"):
        write_station_files(tmp_path / "b.toml", wrong, {tmp_path / "c.toml": ""}, force=False)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("failing", [1, 2, 3, 4])
def test_a_failure_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    """Whichever sync or link fails, no file of the pair is there afterwards."""
    calls = 0

    def count(function: object) -> object:
        def counted(*arguments: object, **named: object) -> object:
            nonlocal calls
            calls += 1
            if calls == failing:
                raise OSError(28, "No space left on device")
            assert callable(function)
            return function(*arguments, **named)

        return counted

    monkeypatch.setattr(os, "fsync", count(os.fsync))
    monkeypatch.setattr(os, "link", count(os.link))
    with pytest.raises(SwatheError, match="cannot be written: No space left on device"):
        write_station_files(tmp_path / "b.toml", TEXT, {tmp_path / "c.toml": "x"}, force=False)
    assert list(tmp_path.iterdir()) == []
