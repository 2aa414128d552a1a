"""The questions of `init`: few, with defaults and examples, asked again on a bad answer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from swathe.cli import init_questions
from swathe.cli.init_questions import InitQuestions
from swathe.draft import OwnDevice, PlanWishes, PortTrial
from swathe.draft import own_device as device_of_wish
from swathe.draft.own_devices import DeviceWish
from swathe.errors import SwatheError
from swathe_drivers import PortInfo
from swathe_drivers.examples import example

PORTS = [
    PortInfo(device="/dev/ttyUSB0", name="usb:A7", description="adapter"),
    PortInfo(device="/dev/ttyS0", name="/dev/ttyS0"),
]
GAUGE = example("nmea_gauge").text
COUNTER = example("scpi_counter").text  # counts and thickness


class Terminal:
    """Answers from a list, and what was asked and printed.

    Args:
        answers: a line for each question.
    """

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []
        self.read_ports: list[str] = []
        self.text = GAUGE

    def read(self, prompt: str) -> str:
        """Return the next answer."""
        self.asked.append(prompt)
        return self.answers.pop(0)

    def trial(self, url: str) -> PortTrial:
        """Note the port; it sends what `text` describes."""
        self.read_ports.append(url)
        if "silent" in url:
            return PortTrial(url, problem="no bytes")
        return PortTrial(url, 900, text=self.text, unsure=("column 3: counts",))

    def questions(self) -> InitQuestions:
        """Return the questions that this terminal answers."""
        return InitQuestions(self.read, trial=self.trial, folder=Path())


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the list of what is printed."""
    lines: list[str] = []
    monkeypatch.setattr(init_questions, "say", lines.append)
    return lines


def bundled(name: str) -> OwnDevice:
    """Return a gauge that a bundled example describes."""
    return device_of_wish(DeviceWish("gauge", "/dev/ttyS0", name), Path())


def test_enter_takes_the_defaults(said: list[str]) -> None:
    """Each question shows its default and an example; only a scale has none."""
    terminal = Terminal("", "", "", "", "", "19.2")
    plan = terminal.questions().plan(PlanWishes(), bundled("scpi_counter"), None)
    assert plan == PlanWishes(
        part="unnamed part",
        length="900 mm",
        width="240 mm",
        cell="4 mm x 8 mm",
        nominal="14 mm",
        scan_scale="19.2",
    )
    assert all("such as " in prompt for prompt in terminal.asked)
    assert all(prompt.endswith("]: ") for prompt in terminal.asked[:-1])
    assert all(len(prompt) <= 79 for prompt in terminal.asked)
    assert said == []


def test_a_bad_answer_is_asked_for_again_with_the_reason(said: list[str]) -> None:
    """What must be and what was typed are shown; what was answered before is kept."""
    terminal = Terminal(
        "Penstock 3", "9 kg", "9", "0 mm", "36 in", "-1 in", "0", "a x b x c", "0.2 in", "x", "", "0", "26"
    )  # fmt: skip
    plan = terminal.questions().plan(PlanWishes(), bundled("scpi_counter"), None)
    assert (plan.part, plan.length, plan.width) == ("Penstock 3", "36 in", "0")
    assert (plan.cell, plan.nominal, plan.scan_scale) == ("0.2 in", "0.5 in", "26")
    assert len(said) == 7
    assert said[0].startswith("  must be a length with its unit")
    assert said[0].endswith("(got '9 kg')")
    assert "must be > 0 (got '0 mm')" in said[2]
    assert "such as 26.07" in said[-1]
    # In inches from the length on.
    assert "[10 in]" in terminal.asked[5]


def test_flags_are_not_asked_for(said: list[str]) -> None:
    """Only what is missing is."""
    terminal = Terminal("2 mm")
    wishes = PlanWishes(part="x", length="1 m", width="0", nominal="14 mm", scan_scale="20")
    plan = terminal.questions().plan(wishes, bundled("scpi_counter"), None)
    assert plan.cell == "2 mm"
    assert len(terminal.asked) == 1
    assert said == []


def test_without_positions_spots_are_asked_for() -> None:
    """A gauge alone has no scan axis."""
    terminal = Terminal("", "0", "7", "")
    plan = terminal.questions().plan(PlanWishes(), bundled("nmea_gauge"), None)
    assert (plan.spots, plan.length) == ("7", "")


def test_a_port_is_opened_only_once_it_is_named(said: list[str]) -> None:
    """By number or address; what it sends is shown with what to compare, and Enter takes it."""
    terminal = Terminal("3", "", "2", "")
    questions = terminal.questions()
    assert terminal.read_ports == []
    found = questions.device("gauge", PORTS, default="")
    assert found is not None
    assert terminal.read_ports == ["/dev/ttyS0"]
    assert (found.port, found.file, found.text) == ("/dev/ttyS0", "gauge.toml", GAUGE)
    assert [line for line in said if "must be a port" in line] == [
        "  must be a port (got '3')",
        "  must be a port (got '')",
    ]
    assert "  thickness, running number" in said
    assert "  compare with the manual: column 3: counts" in said


def test_another_port_and_a_description_by_the_manual(said: list[str]) -> None:
    """`n` goes back to the port; a bundled example or a file is taken in place of a proposal."""
    terminal = Terminal(
        "", "n", "silent", "", "n", "socket://10.0.0.5:4001", "none", "usb:B1", "scpi_counter"
    )
    found = terminal.questions().device("gauge", PORTS, default="1")
    assert found is not None
    assert terminal.read_ports == [
        "usb:A7",
        "silent",
        "silent",
        "socket://10.0.0.5:4001",
        "usb:B1",
    ]
    assert (found.port, found.text) == ("usb:B1", COUNTER)
    assert any("'--gauge-protocol' must be a description's file" in line for line in said)
    # A default that led nowhere is not offered again.
    assert "[1]" in terminal.asked[0]
    assert not any("[1]" in prompt for prompt in terminal.asked[1:])


def test_no_encoder() -> None:
    """`-` or Enter leaves it out; nothing is opened."""
    for answer in ("-", ""):
        terminal = Terminal(answer)
        assert terminal.questions().device("encoder", PORTS, default="-") is None
        assert terminal.read_ports == []


def test_flags_of_a_device_ask_nothing() -> None:
    """A source that is none is an error, not a question."""
    terminal = Terminal()
    found = terminal.questions().device(
        "gauge", [], port="/dev/ttyS9", source="nmea_gauge", default=""
    )
    assert found is not None
    assert terminal.read_ports == []
    with pytest.raises(SwatheError, match="'--gauge-protocol' must be"):
        terminal.questions().device("gauge", [], port="/dev/ttyS9", source="none", default="")


@pytest.mark.parametrize("ending", [KeyboardInterrupt, EOFError])
def test_an_end_is_not_swallowed(ending: type[BaseException]) -> None:
    """Ctrl-C and Ctrl-D leave every question."""

    def read(prompt: str) -> str:
        raise ending(prompt)

    trial: Callable[[str], PortTrial] = Terminal().trial
    questions = InitQuestions(read, trial=trial, folder=Path())
    with pytest.raises(ending):
        questions.device("gauge", PORTS, default="1")
    with pytest.raises(ending):
        questions.plan(PlanWishes(), bundled("nmea_gauge"), None)
