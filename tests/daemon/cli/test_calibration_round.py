"""Calibrating several probes in turn: what the answers do, and where the records are."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.cli.calibration_round import calibrate_each, record_path
from swathe.errors import SwatheError
from swathe.station import CarriageProbe

PROBES = [
    CarriageProbe(number=number, name=name, device="gauge", input=number)
    for number, name in enumerate(("left", "mid", "right"))
]


@pytest.mark.parametrize(
    ("answers", "calibrated", "done"),
    [
        (["", "", ""], ["left", "mid", "right"], ["left", "mid", "right"]),
        (["", "s", ""], ["left", "right"], ["left", "right"]),
        (["", "r", "", "q"], ["left", "left"], ["left"]),
        (["r", "q"], [], []),
        (["", "q"], ["left"], ["left"]),
    ],
)
def test_answers_lead_through_the_probes(
    answers: list[str], calibrated: list[str], done: list[str]
) -> None:
    """Each is named with its number; one may be left out, one be done again."""
    prompts: list[str] = []
    made: list[str] = []

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return answers[len(prompts) - 1]

    found = calibrate_each(
        PROBES, calibrate=lambda probe: made.append(probe.name), ask=ask, tell=prompts.append
    )
    assert made == calibrated
    assert [probe.name for probe in found] == done
    assert len(prompts) == len(answers)
    assert prompts[0].startswith("probe left, 1 of 3: Enter calibrates it, s leaves it out")


def test_one_that_could_not_be_calibrated_is_asked_for_again() -> None:
    """With the reason."""
    shown: list[str] = []
    answers = iter(["", "", "q"])
    tries: list[str] = []

    def calibrate(probe: CarriageProbe) -> None:
        tries.append(probe.name)
        if len(tries) == 1:
            message = "the calibration was given up: nothing is written"
            raise SwatheError(message)

    found = calibrate_each(
        PROBES, calibrate=calibrate, ask=lambda _: next(answers), tell=shown.append
    )
    assert tries == ["left", "left"]
    assert shown == ["probe left: the calibration was given up: nothing is written"]
    assert [probe.name for probe in found] == ["left"]


def test_record_has_the_name_of_its_probe() -> None:
    """Next to where a single one would be."""
    assert record_path(Path("a/calibration.json"), PROBES[1]) == Path("a/calibration-mid.json")
