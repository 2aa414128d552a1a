"""``swathe simulate SCENARIO``: serve a simulated part, probe and scanner as real ports."""

from __future__ import annotations

import errno
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, say
from swathe.cli.scenarios import complete_scenario, scenario_lines, simulated_scenario
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe_simulators import Scenario, World
    from swathe_simulators.couplant import Contact

__all__ = ["is_held", "simulate"]

# How long a process in the background waits before it looks whether it is in the foreground again.
_BACKGROUND_SECONDS = 0.5


@app.command()
def simulate(
    scenario: Annotated[
        str,
        typer.Argument(
            help="Scenario file, or name of a built-in scenario; none: they are listed.",
            autocompletion=complete_scenario,
        ),
    ] = "",
    ports: Annotated[
        Path, typer.Option(help="Folder for the links to the pseudo-terminals.")
    ] = Path("ports"),
    speed: Annotated[float, typer.Option(min=0.01, help="Time scale.")] = 1.0,
    seed: Annotated[int | None, typer.Option(help="Seed of every random number.")] = None,
    hold: Annotated[
        bool | None,
        typer.Option(
            "--hold/--no-hold",
            help="Whether the motion waits for Enter, or begins once every port is listened to. "
            "Default: it waits, unless a crawler is commanded or nobody can press a key.",
            show_default=False,
        ),
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Option(help="Write the true positions and thicknesses to this .npz file at the end."),
    ] = None,
) -> None:
    """Serve a simulated world until Ctrl-C; run the daemon against it in a second terminal."""
    from swathe_simulators import World

    if not scenario:
        for line in scenario_lines():
            say(line)
        return
    found = simulated_scenario(scenario)[1]
    held = is_held(found, hold)
    ports.mkdir(parents=True, exist_ok=True)
    try:
        world = World(found, ports_dir=ports, speed=speed, seed=seed, held=held)
    except ValueError as error:  # a motion that cannot be made
        message = f"{scenario}: {error}"
        raise SwatheError(message) from error
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    # A process in the background of a terminal is not stopped by reading from it.
    signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    with world:
        for device in world.describe():
            rate = f" at {device.baud} baud" if device.baud else ""
            say(f"{device.name}: {device.port}{rate}, e.g. {device.example!r}")
        keys = _Keys(world, always=hold is True) if held else None
        if keys is not None:
            say(keys.prompt)
            threading.Thread(target=keys.follow, name="enter", daemon=True).start()
        elif found.motion.kind == "commanded":
            say("the crawler moves by commands on its port (swathe run --arm); Ctrl-C ends")
        else:
            say("motion begins when every port is listened to; Ctrl-C ends")
        leads = keys is not None and keys.leads
        announced = leads
        contact = None
        while not ended.wait(0.2):
            if (now_on := world.contact) != contact:
                contact = now_on
                say(_contact_text(contact))
                if keys is not None and leads and contact is not None:
                    say(keys.next_text)
            if world.finished and not announced:
                announced = True
                say("the planned motion is done; the devices go on speaking")
        say("ended")
        if truth is not None:
            world.truth.save(truth)
            say(f"truth: {truth}")


def is_held(scenario: Scenario, hold: bool | None) -> bool:
    """Return whether the motion waits for a key, so that whatever only listens starts none.

    Args:
        scenario: what is simulated; a commanded crawler waits for its commands anyway.
        hold: what the user chose; None without a choice.
    """
    return scenario.motion.kind != "commanded" if hold is None else hold


def _contact_text(contact: Contact | None) -> str:
    if contact is None:
        return "probe in the air"
    return f"coupling {contact.coupling}: probe on the step of {_step_text(contact.step_mm)}"


def _step_text(step_mm: float) -> str:
    from swathe.units import MM_PER_INCH

    return f"{step_mm:g} mm ({step_mm / MM_PER_INCH:.3f} in)"


class _Keys:
    """The lines of standard input: the first lets the motion begin; on a block each moves the probe.

    Args:
        world: whose motion is held.
        always: whether it stays held where standard input ends before there was a line.
    """

    def __init__(self, world: World, *, always: bool) -> None:
        self._world = world
        self._always = always
        steps = [step.thickness_mm for step in world.scenario.part.steps]
        self._order = list(getattr(world.scenario.motion, "order_mm", ())) or steps
        self._at = 0

    @property
    def leads(self) -> bool:
        """Whether each line moves the probe."""
        return bool(self._order)

    @property
    def prompt(self) -> str:
        """What the keys do."""
        if not self.leads:
            return (
                "the motion is held: press Enter once `swathe run` shows its board, and it begins; "
                "Ctrl-C ends"
            )
        steps = ", ".join(f"{step:g}" for step in dict.fromkeys(self._order))
        return (
            f"block with steps of {steps} mm, the probe is in the air. Enter puts it on the next step "
            f"({_step_text(self._order[0])}), a thickness in mm on that step, u lifts it off; "
            "Ctrl-C ends"
        )

    @property
    def next_text(self) -> str:
        """What the next Enter does on a block."""
        return f"Enter lifts it and puts it on the step of {_step_text(self._next)}"

    @property
    def _next(self) -> float:
        return self._order[self._at % len(self._order)]

    def follow(self) -> None:
        """Act on each line until standard input ends."""
        world = self._world
        any_line = False
        for line in _lines():
            any_line = True
            world.release()
            if self.leads:
                self._lead(line.strip().lower())
                continue
            if not world.wait_started(0.0):
                say("the motion begins as soon as every port is listened to, by `check` as well")
            return
        if not any_line and not self._always:
            say("nobody can press a key: the motion begins when every port is listened to")
            world.release()

    def _lead(self, typed: str) -> None:
        """Move the probe over the block."""
        world = self._world
        if not world.wait_started(0.0):
            say("the probe moves as soon as every port is listened to")
            world.wait_started()
        if typed == "u":
            world.lift_off()
            return
        try:
            world.put_on(float(typed) if typed else self._next)
        except ValueError as error:
            say(f"{error}")
            return
        if not typed:
            self._at += 1


def _lines() -> Iterator[str]:
    """Yield the lines of standard input; in the background of a terminal it waits."""
    while True:
        try:
            line = sys.stdin.readline()
        except OSError as error:
            if error.errno != errno.EIO:
                return
            time.sleep(_BACKGROUND_SECONDS)
            continue
        if not line:
            return
        yield line
