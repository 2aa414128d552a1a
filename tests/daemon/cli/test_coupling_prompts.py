"""Leading through the couplings of a block, with a gauge that a test plays."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Self

import numpy as np
import pytest

from daemon.handmade import station_text
from swathe.calibration import StabilityState, StepReading
from swathe.calibration.coupling_plan import CouplingPlan
from swathe.cli import coupling_prompts
from swathe.errors import SwatheError
from swathe.live.block_reader import NotSteadyError, SteadyReadings
from swathe.station import parse_station

THICK, THIN = 4.70, 2.13


class PlayedBlock:
    """A gauge on a block: what each coupling reads, and whether the probe was lifted before it.

    Attributes:
        reads: the time of each coupling, µs; None where it does not become steady.
        lifts: for each coupling.
        gives_time: whether it sends times of flight.
        gauge: its name.
    """

    reads: tuple[float | None, ...] = ()
    lifts: tuple[bool, ...] = ()
    gives_time = True
    gauge = "gauge"

    def __init__(self, *_: object, **__: object) -> None:
        self.made = 0
        self.lifted = False

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        return None

    def taken(self, _: SteadyReadings) -> None:
        """Look for a lifted probe from now on."""
        self.lifted = False

    async def steady(self, *, show: Callable[[StabilityState], None]) -> SteadyReadings:
        """Return the next coupling's readings."""
        self.lifted |= self.lifts[self.made]
        time = self.reads[self.made]
        self.made += 1
        if time is None:
            message = "gauge: not steady: hold the probe still"
            raise NotSteadyError(message)
        state = StabilityState(
            stable=True, readings=20, mean=time, sd=0.004, spread=0.01, drift=0.0, reason=""
        )
        show(state)
        return SteadyReadings(
            begin=0, end=1, state=state, thickness=1.0, times=np.arange(20, dtype=np.int64)
        )


def lead(
    monkeypatch: pytest.MonkeyPatch,
    *,
    answers: list[str],
    reads: tuple[float | None, ...],
    lifts: tuple[bool, ...] | None = None,
    rounds: int = 2,
    steps: tuple[float, ...] = (12.7, 5.08),
) -> tuple[list[StepReading], list[str], list[str]]:
    """Return the readings of each step, the prompts and what was said."""
    prompts: list[str] = []
    said: list[str] = []

    async def answer(prompt: str) -> str:
        prompts.append(prompt)
        return answers.pop(0)

    monkeypatch.setattr(PlayedBlock, "reads", reads)
    monkeypatch.setattr(PlayedBlock, "lifts", lifts or (True,) * len(reads))
    monkeypatch.setattr(coupling_prompts, "BlockReader", PlayedBlock)
    monkeypatch.setattr(coupling_prompts, "ask_line", answer)
    monkeypatch.setattr(coupling_prompts, "say", lambda text, **_: said.append(text))
    station = parse_station(station_text(), "s")
    plan = CouplingPlan(steps, rounds)
    found = asyncio.run(
        coupling_prompts.read_couplings(station, plan, u_thickness=0.002, spread=0.1)
    )
    assert not answers
    return found, prompts, said


def test_rounds_are_asked_for_in_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Round and step in each prompt; the last Enter calibrates."""
    found, prompts, said = lead(monkeypatch, answers=[""] * 5, reads=(THICK, THIN, THICK, THIN))
    assert [prompt.split(", then")[0] for prompt in prompts] == [
        "round 1 of 2, step 12.7 mm: put the probe on",
        "round 1 of 2, step 5.08 mm: put the probe on",
        "round 2 of 2, step 12.7 mm: lift the probe and put it on again",
        "round 2 of 2, step 5.08 mm: lift the probe and put it on again",
        "press Enter to calibrate; a number repeats that coupling, q gives up",
    ]
    assert [len(step.couplings) for step in found] == [2, 2]
    assert found[0].u_thickness == 0.002
    assert all(one.time.endswith("+00:00") for step in found for one in step.couplings)
    assert said[0] == "  1: 4.7000 µs ± 0.0040 µs, 20 readings"


def test_probe_that_was_not_lifted_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The coupling is asked for again; the one that was lifted for counts, even before a refusal."""
    found, prompts, said = lead(
        monkeypatch,
        answers=[""] * 6,
        reads=(THICK, THIN, THIN, THICK, THIN),
        lifts=(False, False, True, True, True),
    )
    assert "REFUSED, it is repeated: the echo was never away" in said[1]
    assert prompts[1] == prompts[2]
    assert [len(step.couplings) for step in found] == [2, 2]


def test_probe_may_slide_in_a_single_round(monkeypatch: pytest.MonkeyPatch) -> None:
    """One coupling for each step, never lifted: the prompts name no round."""
    found, prompts, said = lead(
        monkeypatch, answers=[""] * 3, reads=(THICK, THIN), lifts=(False, False), rounds=1
    )
    assert prompts[0].startswith("step 12.7 mm: put the probe on, then press Enter")
    assert len(found) == len(said) == 2


def test_unsteady_coupling_and_wrong_step_are_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of what was taken is lost by it."""
    found, _, said = lead(
        monkeypatch,
        answers=[""] * 7,
        reads=(THICK, THIN, None, THIN, THICK + 0.01, THIN),
    )
    assert said[2] == "  REFUSED, it is repeated: gauge: not steady: hold the probe still"
    assert said[3].startswith(
        "  REFUSED, it is repeated: 2.1300 µs is what step 5.08 mm gave before: put the probe on "
        "step 12.7 mm"
    )
    assert [one.time_of_flight for one in found[0].couplings] == [THICK, THICK + 0.01]


def test_couplings_are_repeated_by_letter_and_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """``r`` is the one before, a number any other, also once all are taken."""
    found, prompts, said = lead(
        monkeypatch,
        answers=["r", "", "r", "", "", "", "", "7", "2", "", ""],
        reads=(4.0, THICK, THIN, THICK, THIN, THIN + 0.02),
    )
    assert said[0] == "  there is no coupling before this one to repeat"
    assert prompts[3].startswith("round 1 of 2, step 12.7 mm")
    assert "  there is no coupling 7 to repeat; made are: 1, 2, 3, 4" in said
    thick, thin = found
    assert [one.time_of_flight for one in thick.couplings] == [THICK, THICK]
    assert [one.time_of_flight for one in thin.couplings] == [THIN + 0.02, THIN]


def test_giving_up_takes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """At any prompt; so is a gauge that sends no times refused."""
    with pytest.raises(SwatheError, match="the calibration was given up: nothing is written"):
        lead(monkeypatch, answers=["", "q"], reads=(THICK,))
    monkeypatch.setattr(PlayedBlock, "gives_time", False)
    with pytest.raises(SwatheError, match="gauge sends thickness, not time of flight"):
        lead(monkeypatch, answers=[], reads=())
