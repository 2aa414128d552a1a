"""Prompts for the steps of a block, while the ports are read on."""

from __future__ import annotations

import asyncio
import os
import select
import sys

from swathe.calibration import StabilityState
from swathe.cli.app import console
from swathe.display_units import INCHES, MILLIMETRES, DisplayUnits
from swathe.live.calibration_check import StepAnswer
from swathe.station import Station, decoder_of, gauge_of, law_of

__all__ = ["ask_line", "confirm_step", "discard_typed", "spread_tolerance", "steadiness_line"]

# Velocity of steel, for a gauge whose velocity is not known yet; only the moment at which a step
# is taken depends on it.
_ABOUT_STEEL = 5.9


def _gives_time(station: Station, gauge: str) -> bool:
    gives = decoder_of(station.device[gauge or gauge_of(station)]).gives
    return bool(gives & {"time_of_flight", "waveform"})


def spread_tolerance(station: Station, millimetres: float, gauge: str = "") -> float:
    """Return a spread of thickness (mm) in the unit of the gauge's readings: µs, or mm.

    Args:
        station: the station file.
        millimetres: the spread.
        gauge: the device; by default the first one that gives readings.
    """
    if not _gives_time(station, gauge):
        return millimetres
    law = law_of(station)
    return 2 * millimetres / (law.velocity if law is not None else _ABOUT_STEEL)


def steadiness_line(state: StabilityState, station: Station, gauge: str = "") -> str:
    """Return mean, spread and verdict of the readings of a device, in a line; as `spread_tolerance`."""
    if not state.readings:
        return "no echo yet"
    units, verdict = station.display, "steady" if state.stable else state.reason
    if not _gives_time(station, gauge):
        mean, spread = (units.with_unit(units.number(v, 4)) for v in (state.mean, state.spread))
        return f"{mean}, spread {spread}: {verdict}"
    law = law_of(station)
    wall = "" if law is None else f" = {units.difference_text(float(law.thickness(state.mean)))}"
    return f"{state.mean:.4f} µs{wall}, spread {state.spread:.4f} µs: {verdict}"


async def confirm_step(
    thickness: float, units: DisplayUnits = MILLIMETRES, *, probe: str = "", head: str = ""
) -> StepAnswer:
    """Have the user put the probe on a step, and return the answer.

    Args:
        thickness: of the step, mm.
        units: of the prompt.
        probe: name of the probe, of several.
        head: begins the prompt.
    """
    step = units.stated_thickness_text(thickness)
    if units.is_metric:
        step += f" ({INCHES.stated_thickness_text(thickness)})"
    which, others = "the probe", ""
    if probe:
        which, others = f"probe {probe}", "; r reads the one before again, s leaves this probe out"
    answer = await ask_line(
        f"{head}put {which} on the step of {step}, then press Enter{others}; q and Enter give up"
    )
    answers = {"q": StepAnswer.GIVE_UP}
    answers |= {"r": StepAnswer.AGAIN, "s": StepAnswer.SKIP} if probe else {}
    return answers.get(answer, StepAnswer.READY)


async def ask_line(prompt: str) -> str:
    """Return a line from the user, stripped and in lower case; a closed input counts as ``q``.

    The event loop runs meanwhile. What was typed before the prompt is no answer to it: Enter pressed
    twice confirms one step.
    """
    discard_typed()
    console.print(f"{prompt} ", end="", highlight=False, markup=False, soft_wrap=True)
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[str] = loop.create_future()
    descriptor = sys.stdin.fileno()

    data = bytearray()

    def read() -> None:
        # A terminal hands over whole lines; of a pipe no more is taken than one line. A line that
        # Ctrl-Z has discarded meanwhile is not waited for.
        while not data.endswith(b"\n"):
            if not select.select([descriptor], [], [], 0)[0]:
                return
            byte = os.read(descriptor, 1)
            if not byte:
                break
            data.extend(byte)
        if not answer.done():
            text = data.decode(errors="replace").strip().lower()
            answer.set_result(text if data else "q")

    try:
        loop.add_reader(descriptor, read)
    except (PermissionError, OSError):
        read()  # a plain file, which the loop cannot wait for, has its lines at once
        return await answer
    try:
        return await answer
    finally:
        loop.remove_reader(descriptor)


def discard_typed() -> None:
    """Discard what a terminal has of earlier keys."""
    if os.name == "posix" and sys.stdin.isatty():
        import termios

        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
