"""Leading the simulated probe over a block, from standard input."""

from __future__ import annotations

import io
import sys
from typing import cast

import pytest

from swathe.cli import simulate
from swathe_simulators import World, builtin_scenario, load_scenario
from swathe_simulators.couplant import Contact


class LedWorld:
    """A world that notes what it is asked for."""

    def __init__(self) -> None:
        self.scenario = load_scenario(builtin_scenario("block"))
        self.asked: list[object] = []

    def release(self) -> None:
        """Let the motion begin."""

    def wait_started(self, timeout: float | None = None) -> bool:
        """Return that it has begun."""
        return timeout is None or timeout >= 0

    def lift_off(self) -> None:
        """Note that the probe is lifted off."""
        self.asked.append("off")

    def put_on(self, step_mm: float) -> None:
        """Note the step; 9 mm is none."""
        if step_mm == 9:
            message = "no step of 9 mm"
            raise ValueError(message)
        self.asked.append(step_mm)


def test_lines_lead_the_probe_over_the_block(monkeypatch: pytest.MonkeyPatch) -> None:
    """Enter is the next step in the scenario's order, a number that step, u lifts it off."""
    said: list[str] = []
    monkeypatch.setattr(simulate, "say", said.append)
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n\n5.08\nu\n9\nfive\n\n\n\n"))
    world = LedWorld()
    simulate._lead(cast("World", world))
    assert world.asked == [12.7, 10.16, 5.08, "off", 7.62, 5.08, 12.7]
    assert said[0] == "no step of 9 mm"
    assert "five" in said[1]


def test_contact_in_words() -> None:
    """The coupling's number and the step in both units."""
    assert simulate._contact_text(None) == "probe in the air"
    text = simulate._contact_text(Contact(step_mm=5.08, coupling=3))
    assert text == "coupling 3: probe on the step of 5.08 mm (0.200 in)"
