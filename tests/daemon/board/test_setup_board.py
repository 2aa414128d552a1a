"""The set-up view on the terminal: what fits, what keys do, what is refused."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest
from rich.cells import cell_len
from rich.console import Console

from daemon.echo_model import scans, settings
from swathe.board.setup_board import SetupBoard
from swathe.board.setup_state import GateRow, SetupState, refusal_text
from swathe.display_units import INCHES, MILLIMETRES
from swathe.echo import view_ascan
from swathe.errors import Problem, StationError, SwatheError
from swathe.keys import Pasted
from swathe.pipeline.gauge_state import GaugeState, StripColumn

VALUES = {
    "start": "0.65 us",
    "width": "6 us",
    "threshold": "30 %",
    "measure": "zero_crossing",
    "polarity": "positive",
    "after": "interface",
}
CHOICES = {"measure": ("flank", "peak", "zero_crossing"), "polarity": ("positive", "negative")}


def gauge(**changes: Any) -> GaugeState:
    """Return the state of a gauge that sends A-scans."""
    view = view_ascan(
        scans([[(3.0, 80.0)]])[0], interval_us=0.02, start_us=0.0, settings=settings()
    )
    made = GaugeState(
        device="instrument",
        port="open",
        detail="",
        readings=100,
        rate=50.0,
        age=0.1,
        thickness=8.75,
        time_of_flight=3.05,
        amplitude=80.2,
        ascan=view,
        problem="",
        strip=(None,) * 119 + (StripColumn(8.7, 8.8, 0),),
        strip_unit="mm",
    )
    return replace(made, **changes)


class PlayedSetup:
    """A set-up that notes what is done."""

    def __init__(self, **changes: Any) -> None:
        gates = tuple(
            GateRow(name=name, values=VALUES, changed=frozenset())
            for name in ("interface", "back wall")
        )
        self.shown = replace(
            SetupState(
                station="strip",
                file="/home/a/very/long/path/to/the/station/files/of/a/plant/strip.toml",
                display=MILLIMETRES,
                gauge=gauge(),
                gates=gates,
                choices=CHOICES,
                calibration="velocity 5920 m/s, zero 0.470 µs (record 0123456789ab, 2026-05-04 06:30 UTC, A)",
                reference="80 % on B-7 10 mm, tolerance 2 dB",
                page="page: http://127.0.0.1:8377/setup",
            ),
            **changes,
        )
        self.done: list[tuple[object, ...]] = []
        self.checked: list[str] = []
        self.refusal: SwatheError | None = None
        self.ended = False

    def state(self) -> SetupState:
        """Return what is shown."""
        return self.shown

    def _note(self, *what: object) -> str:
        if self.refusal is not None:
            raise self.refusal
        self.done.append(what)
        return "done"

    def change(self, gate: str, key: str, value: str) -> str:
        """Note a change."""
        return self._note("change", gate, key, value)

    def step(self, gate: str, key: str, direction: int) -> str:
        """Note a step."""
        return self._note("step", gate, key, direction)

    def revert(self) -> str:
        """Note an undo."""
        return self._note("revert")

    def save(self, by: str) -> str:
        """Note a write."""
        return self._note("save", by)


class Desk:
    """A board of some size with a set-up."""

    def __init__(self, width: int = 80, height: int = 24, *, by: str = "", **changes: Any) -> None:
        self.setup = PlayedSetup(**changes)
        self.out = io.StringIO()
        self.console = Console(file=self.out, width=width, height=height, color_system=None)

        def end() -> None:
            self.setup.ended = True

        self.board = SetupBoard(
            self.console,
            self.setup,
            caution="Swathe measures; it does not judge fitness for service.",
            check=self.setup.checked.append,
            quit_=end,
            by=by,
        )

    def press(self, *keys: str) -> list[str]:
        """Press keys; return the lines that are shown then."""
        for key in keys:
            self.board.press(key)
        self.out.seek(0)
        self.out.truncate()
        self.console.print(self.board.render())
        return self.out.getvalue().rstrip("\n").split("\n")


@pytest.mark.parametrize("size", [(80, 24), (80, 50), (132, 43), (200, 60)])
@pytest.mark.parametrize("kind", ["ascan", "values", "bad"])
def test_view_fits_the_terminal(size: tuple[int, int], kind: str) -> None:
    """Every line and all lines are within the terminal, with the caution and the keys at the end."""
    width, height = size
    changes: dict[str, Any] = {}
    if kind == "values":
        changes = {"gauge": gauge(ascan=None, time_of_flight=None), "gates": ()}
    if kind == "bad":
        changes = {
            "gauge": gauge(port="lost", detail="unplugged " * 20, problem="x" * 300, age=None),
            "refused": ("the record was made with other gates " * 9,),
            "unsaved": ("echo.gate[0].start: 1 us -> 2 us",) * 5,
            "sensitivity": "sensitivity FAILED " * 20,
            "passed": False,
        }
    lines = Desk(width, height, **changes).press()
    assert len(lines) == height
    assert max(cell_len(line) for line in lines) <= width
    assert lines[-2].startswith("Swathe measures; it does not judge")
    assert lines[-1].endswith("q quit")
    assert any("╞" in line for line in lines) is (kind != "values")


def test_figures_and_age() -> None:
    """The newest reading is in figures; an old one is told by the words that no reading comes."""
    lines = Desk().press()
    assert lines[1].strip() == "instrument: open · 50.0 readings/s · newest reading 0.1 s ago"
    assert lines[2].strip() == "thickness 8.75 mm   time of flight 3.050 µs   amplitude 80 %"
    lines = Desk(gauge=gauge(age=4.23, rate=0.0, thickness=None), display=INCHES).press()
    assert "NO READING FOR 4.2 s" in lines[1]
    assert lines[2].startswith("last: thickness –")  # what was read before is no reading of now
    assert "NO READING FOR 5 min" in Desk(gauge=gauge(age=300.0)).press()[1]
    assert "0.344 in" in Desk(display=INCHES).press()[2]


def test_arrows_choose_and_keys_change() -> None:
    """The chosen key is in brackets, so that it is seen without a colour; plus and minus step it."""
    desk = Desk()
    assert any("▸ 1 interface [0.65 us]" in line for line in desk.press())
    lines = desk.press("down", "right", "right", "+", "-", "=")
    assert any("▸ 2 back wall" in line and "[30 %]" in line for line in lines)
    steps: list[tuple[object, ...]] = [("step", "back wall", "threshold", k) for k in (1, -1, 1)]
    assert desk.setup.done == steps
    desk.press("down", "down", "left")  # below the last gate there is none
    desk.press("+")
    assert desk.setup.done[-1] == ("step", "back wall", "width", 1)
    desk.press("z")
    undone: tuple[object, ...] = ("revert",)
    assert undone in desk.setup.done


def test_typed_value_begins_with_the_present_one() -> None:
    """Enter asks with the value in force; what is refused stays with its reason."""
    desk = Desk()
    lines = desk.press("enter")
    assert "> 0.65 us" in [line.strip() for line in lines]
    problem = Problem("echo.gate[0].start", "must be >= 0", "-1 us")
    desk.setup.refusal = StationError("strip.toml", [problem])
    lines = desk.press("clear", *"-1 us", "enter")
    assert any("'echo.gate[0].start' must be >= 0 (got '-1 us')" in line for line in lines)
    desk.setup.refusal = None
    lines = desk.press("clear", *"0.7 us", "enter")
    assert desk.setup.done == [("change", "interface", "start", "0.7 us")]
    assert any(line.strip() == "done" for line in lines)


def test_name_is_asked_once_and_kept() -> None:
    """Who writes and checks is recorded; with --by nothing is asked."""
    desk = Desk(unsaved=("a",))
    assert any("your name, recorded" in line for line in desk.press("w"))
    desk.press("enter")
    assert desk.setup.done == []
    desk.press(*"A. Kern", "enter")
    assert desk.setup.done == [("save", "A. Kern")]
    desk.press("e")
    assert desk.setup.checked == ["A. Kern"]
    named = Desk(by="B. Low")
    named.press("e")
    assert named.setup.checked == ["B. Low"]


def test_refusals_are_shown() -> None:
    """What cannot be done is answered with the reason, also behind the question for a name."""
    desk = Desk(unsaved=("a",))
    desk.setup.refusal = SwatheError("strip.toml: was changed since it was read")
    lines = desk.press("w", *"A", "enter")
    assert any("was changed since it was read" in line for line in lines)
    assert any("was changed since it was read" in line for line in desk.press("w"))
    assert any("was pasted" in line for line in desk.press(Pasted("qq")))
    assert not desk.setup.ended


def test_quit_asks_only_for_what_is_not_written() -> None:
    """Changes that would be lost are asked about; without any, q ends at once."""
    desk = Desk()
    desk.press("q")
    assert desk.setup.ended
    desk = Desk(unsaved=("a",))
    assert any("1 change not written" in line for line in desk.press("q"))
    assert any("w writes the changes" in line for line in desk.press("x"))
    assert not desk.setup.ended
    desk.press("q", "Q")
    assert desk.setup.ended


def test_refusal_names_the_first_problem_only() -> None:
    """What follows from a refused value is not listed, nor a whole table as what was got."""
    first = Problem("echo", "must be valid: must have thresholds below 'saturation'", {"gate": []})
    other = Problem("echo", "is required", None)
    error = StationError("strip.toml", [first, other])
    assert refusal_text(error) == "'echo' must have thresholds below 'saturation'"
