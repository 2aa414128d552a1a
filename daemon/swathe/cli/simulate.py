"""``swathe simulate SCENARIO.toml``: serve a simulated part, probe and scanner as real ports."""

from __future__ import annotations

import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, say
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe_simulators import World
    from swathe_simulators.couplant import Contact

__all__ = ["simulate"]


@app.command()
def simulate(
    scenario: Annotated[str, typer.Argument(help="Scenario file, or name of a built-in scenario.")],
    ports: Annotated[
        Path, typer.Option(help="Folder for the links to the pseudo-terminals.")
    ] = Path("ports"),
    speed: Annotated[float, typer.Option(min=0.01, help="Time scale.")] = 1.0,
    seed: Annotated[int | None, typer.Option(help="Seed of every random number.")] = None,
    hold: Annotated[
        bool, typer.Option("--hold", help="Hold the motion until you press Enter.")
    ] = False,
    truth: Annotated[
        Path | None,
        typer.Option(help="Write the true positions and thicknesses to this .npz file at the end."),
    ] = None,
) -> None:
    """Serve a simulated world until Ctrl-C; run the daemon against it in a second terminal."""
    from swathe_simulators import (
        ScenarioError,
        World,
        builtin_scenario,
        builtin_scenarios,
        load_scenario,
    )

    path = builtin_scenario(scenario) if scenario in builtin_scenarios() else Path(scenario)
    ports.mkdir(parents=True, exist_ok=True)
    try:
        world = World(load_scenario(path), ports_dir=ports, speed=speed, seed=seed, held=hold)
    except ScenarioError as error:
        raise SwatheError(str(error)) from error
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    with world:
        for device in world.describe():
            rate = f" at {device.baud} baud" if device.baud else ""
            say(f"{device.name}: {device.port}{rate}, e.g. {device.example!r}")
        leads = hold and bool(world.scenario.part.steps)
        if leads:
            say(
                "press Enter to put the probe on the next step of the block, type a thickness in mm "
                "for that step, u to lift it off; Ctrl-C ends"
            )
            threading.Thread(target=_lead, args=(world,), name="enter", daemon=True).start()
        elif hold:
            say("motion begins when you press Enter; Ctrl-C ends")
            threading.Thread(target=_release, args=(world,), name="enter", daemon=True).start()
        else:
            say("motion begins when every port is listened to; Ctrl-C ends")
        announced = leads
        contact = None
        while not ended.wait(0.2):
            if (now_on := world.contact) != contact:
                contact = now_on
                say(_contact_text(contact))
            if world.finished and not announced:
                announced = True
                say("the planned motion is done; the devices go on speaking")
        say("ended")
        if truth is not None:
            world.truth.save(truth)
            say(f"truth: {truth}")


def _release(world: World) -> None:
    """Start the motion once a line has arrived on standard input."""
    if sys.stdin.readline():
        world.release()
        say("motion begins as soon as every port is listened to")


def _contact_text(contact: Contact | None) -> str:
    if contact is None:
        return "probe in the air"
    step = contact.step_mm
    return f"coupling {contact.coupling}: probe on the step of {step:g} mm ({step / 25.4:.3f} in)"


def _lead(world: World) -> None:
    """Put the probe on a step of the block for each line on standard input."""
    steps = [step.thickness_mm for step in world.scenario.part.steps]
    order = list(getattr(world.scenario.motion, "order_mm", ())) or steps
    at = 0
    for line in sys.stdin:
        world.release()
        if not world.wait_started(0.0):
            say("the probe moves as soon as every port is listened to")
            world.wait_started()
        typed = line.strip().lower()
        if typed == "u":
            world.lift_off()
            continue
        try:
            world.put_on(float(typed) if typed else order[at % len(order)])
        except ValueError as error:
            say(f"{error}")
            continue
        if not typed:
            at += 1
