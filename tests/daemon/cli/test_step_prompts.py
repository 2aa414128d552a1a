"""Confirming the steps of a block on a terminal."""

from __future__ import annotations

import asyncio
import os
import pty
import sys
from collections.abc import Iterator

import pytest

from swathe.cli.app import console
from swathe.cli.step_prompts import confirm_step
from swathe.live.calibration_check import StepAnswer


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Make standard input a pseudo-terminal; return the end at which keys are typed."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master
    os.close(master)


def test_enter_pressed_twice_confirms_one_step(
    terminal: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second Enter came before the next prompt, when the probe was not on its step yet."""
    prompts: list[str] = []

    async def confirm() -> tuple[StepAnswer, bool, StepAnswer]:
        asked = asyncio.Event()

        def print_(text: str, **_: object) -> None:
            prompts.append(text)
            asked.set()

        monkeypatch.setattr(console, "print", print_)
        step = asyncio.create_task(confirm_step(5.0))
        await asked.wait()
        os.write(terminal, b"\n\n")
        first = await step
        asked.clear()
        step = asyncio.create_task(confirm_step(10.0))
        await asked.wait()
        for _ in range(20):  # rounds in which the loop would take a line that is there
            await asyncio.sleep(0)
        early = step.done()
        os.write(terminal, b"Q\n")
        return first, early, await step

    assert asyncio.run(confirm()) == (StepAnswer.READY, False, StepAnswer.GIVE_UP)
    assert [prompt[:42] for prompt in prompts] == [
        "put the probe on the step of 5 mm (0.197 i",
        "put the probe on the step of 10 mm (0.394 ",
    ]


@pytest.mark.parametrize(
    ("probe", "typed", "answer"),
    [
        ("left", b"s\n", StepAnswer.SKIP),
        ("left", b"r\n", StepAnswer.AGAIN),
        ("left", b"\n", StepAnswer.READY),
        ("", b"s\n", StepAnswer.READY),
    ],
)
def test_one_of_several_probes_is_named_and_may_be_left_out(
    terminal: int, monkeypatch: pytest.MonkeyPatch, probe: str, typed: bytes, answer: StepAnswer
) -> None:
    """Of an only probe every line but q confirms, as ever."""
    prompts: list[str] = []

    def print_(text: str, **_: object) -> None:
        prompts.append(text)
        os.write(terminal, typed)

    monkeypatch.setattr(console, "print", print_)
    assert asyncio.run(confirm_step(5.0, probe=probe, head="1 of 2: ")) is answer
    assert ("put probe left on the step of 5 mm" in prompts[0]) is bool(probe)
    assert ("s leaves this probe out" in prompts[0]) is bool(probe)
