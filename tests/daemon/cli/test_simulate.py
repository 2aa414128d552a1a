"""The scenarios that `simulate` names, and the keys that move the simulated probe."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import cast

import pytest
from typer.testing import CliRunner

from swathe.cli import simulate
from swathe.cli.app import app
from swathe.cli.scenarios import simulated_scenario
from swathe.errors import SwatheError
from swathe_simulators import World, builtin_scenario, builtin_scenarios, load_scenario
from swathe_simulators.couplant import Contact


class LedWorld:
    """A world that notes what it is asked for.

    Args:
        name: of its scenario.
        listened: whether its ports are listened to, so that a release lets the motion begin.
    """

    def __init__(self, name: str, *, listened: bool = True) -> None:
        self.scenario = load_scenario(builtin_scenario(name))
        self.asked: list[object] = []
        self.released = False
        self._listened = listened

    def release(self) -> None:
        """Let the motion begin."""
        self.released = True

    def wait_started(self, timeout: float | None = None) -> bool:
        """Return whether it has begun."""
        return self.released and (self._listened or timeout is None)

    def lift_off(self) -> None:
        """Note that the probe is lifted off."""
        self.asked.append("off")

    def put_on(self, step_mm: float) -> None:
        """Note the step; 9 mm is none."""
        if step_mm == 9:
            message = "no step of 9 mm"
            raise ValueError(message)
        self.asked.append(step_mm)


def keys_of(world: LedWorld, *, always: bool = False) -> simulate._Keys:
    """Return the keys of a world."""
    return simulate._Keys(cast("World", world), always=always)


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the list of what is printed."""
    lines: list[str] = []
    monkeypatch.setattr(simulate, "say", lines.append)
    return lines


def test_lines_lead_the_probe_over_the_block(
    monkeypatch: pytest.MonkeyPatch, said: list[str]
) -> None:
    """Enter is the next step in the scenario's order, a number that step, u lifts it off."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n\n5.08\nu\n9\nfive\n\n\n\n"))
    world = LedWorld("block")
    keys = keys_of(world)
    assert "the next step (12.7 mm (0.500 in))" in keys.prompt
    assert keys.next_text == "Enter lifts it and puts it on the step of 12.7 mm (0.500 in)"
    keys.follow()
    assert world.asked == [12.7, 10.16, 5.08, "off", 7.62, 5.08, 12.7]
    assert said[0] == "no step of 9 mm"
    assert "five" in said[1]
    assert keys.next_text.endswith("the step of 10.16 mm (0.400 in)")


def test_the_probe_waits_for_a_listener(monkeypatch: pytest.MonkeyPatch, said: list[str]) -> None:
    """Enter before anything listens is carried out once something does, and says so."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
    world = LedWorld("block", listened=False)
    keys_of(world).follow()
    assert said == ["the probe moves as soon as every port is listened to"]
    assert world.asked == [12.7]


@pytest.mark.parametrize("listened", [True, False])
def test_enter_lets_the_motion_begin(
    monkeypatch: pytest.MonkeyPatch, said: list[str], *, listened: bool
) -> None:
    """One line does; a remark is made only where it begins later."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
    world = LedWorld("profile", listened=listened)
    keys = keys_of(world)
    assert not world.released
    keys.follow()
    assert world.released
    later = ["the motion begins as soon as every port is listened to, by `check` as well"]
    assert said == ([] if listened else later)


@pytest.mark.parametrize("always", [True, False])
@pytest.mark.parametrize("name", ["profile", "block"])
def test_without_a_keyboard_nothing_is_waited_for(
    monkeypatch: pytest.MonkeyPatch, said: list[str], name: str, *, always: bool
) -> None:
    """Standard input that has no line holds the motion only where --hold was given."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    world = LedWorld(name)
    keys_of(world, always=always).follow()
    assert world.released is not always
    assert bool(said) is not always


def test_contact_in_words() -> None:
    """The coupling's number and the step in both units."""
    assert simulate._contact_text(None) == "probe in the air"
    text = simulate._contact_text(Contact(step_mm=5.08, coupling=3))
    assert text == "coupling 3: probe on the step of 5.08 mm (0.200 in)"


def test_without_a_name_the_scenarios_are_listed() -> None:
    """Each with its description; nothing is served."""
    result = CliRunner().invoke(app, ["simulate"])
    assert result.exit_code == 0
    for name in builtin_scenarios():
        assert f"{name} " in result.output
        assert load_scenario(builtin_scenario(name)).description in result.output
    # On a terminal of 80 columns no line is broken.
    assert max(map(len, result.output.splitlines())) <= 79


@pytest.mark.parametrize(
    ("name", "near"), [("blok", "is 'block' meant?"), ("x.toml", ""), ("", ""), ("a/b", "")]
)
def test_a_wrong_name_gives_the_list(tmp_path: Path, name: str, near: str) -> None:
    """Nothing but an error with a remedy."""
    with pytest.raises(SwatheError) as caught:
        simulated_scenario(name or str(tmp_path / "none.toml"))
    text = str(caught.value)
    assert near in text
    assert ("meant?" in text) is bool(near)
    assert all(f"\n  {name} " in text for name in builtin_scenarios())


@pytest.mark.parametrize(
    ("content", "shown"),
    [
        (b'name = "x"\nseed = one\n', "\n2 | seed = one\n  |        ^\n  | texts, and"),
        (b"\xff\xfe", "must be a UTF-8 text"),
        (b'name = "x"\n', "'part' must be given"),
    ],
)
def test_a_file_that_is_no_scenario(tmp_path: Path, content: bytes, shown: str) -> None:
    """The error names the file and shows the line."""
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    with pytest.raises(SwatheError) as caught:
        simulated_scenario(str(path))
    assert str(caught.value).startswith(f"{path}: ")
    assert shown in str(caught.value)


def test_a_built_in_name_and_a_path_are_scenarios() -> None:
    """A copy of a built-in scenario is the same scenario."""
    path, scenario = simulated_scenario("belt")
    assert simulated_scenario(str(path)) == (path, scenario)


@pytest.mark.parametrize("name", builtin_scenarios())
def test_what_only_listens_starts_no_motion(name: str) -> None:
    """Unless the user chooses otherwise a motion waits for a key, or for a crawler's commands."""
    scenario = load_scenario(builtin_scenario(name))
    assert simulate.is_held(scenario, None) is (name not in ("array", "belt", "crawler"))
    assert simulate.is_held(scenario, True)
    assert not simulate.is_held(scenario, False)
