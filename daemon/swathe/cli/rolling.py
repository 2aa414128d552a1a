"""Rolling an encoder by hand: its counts are shown meanwhile, and a bad roll is refused at once."""

from __future__ import annotations

from collections.abc import Callable

from swathe.calibration.roll_checks import (
    SILENT_SECONDS,
    Roll,
    agree,
    roll_fault,
    roll_problem,
)
from swathe.cli.app import say
from swathe.cli.live_prompts import GIVE_UP, ask
from swathe.display_units import INCHES
from swathe.errors import SwatheError
from swathe.live.encoder_reader import EncoderReader

__all__ = ["roll_known_length", "roll_length"]

_AGAIN = "s"


def roll_length(reader: EncoderReader) -> None:
    """Print the length from a zero to where the encoder is, each time Enter is pressed, until q."""
    units = reader.display
    sign = -1.0 if reader.settings.reversed else 1.0

    def text(counts: float) -> str:
        travel = sign * counts / reader.settings.scale
        text = units.with_unit(units.number(travel, 2))
        return f"{text}, {INCHES.with_unit(INCHES.number(travel, 2))}" if units.is_metric else text

    begun = False
    while True:
        if not begun:
            say(f"{reader.device}: {reader.counts():.0f} counts")
            prompt = "set the encoder at one end, then press Enter for zero; q ends"
            if ask(prompt, lambda: _standing(reader)) == GIVE_UP:
                return
            reader.begin_roll()
            begun = True
        prompt = "roll it to the other end, then press Enter; q ends"
        if ask(prompt, lambda: _rolling(reader, text(reader.roll().counts))) == GIVE_UP:
            return
        roll = reader.settled_roll()
        if problem := roll_fault(roll, silent_at_rest=reader.silent_at_rest):
            say(f"  REFUSED: {problem}; begin again at zero", style="bold")
            begun = False
        elif roll.counts == 0:
            say("  it has not moved")
        else:
            say(f"  {text(roll.counts)}")


def roll_known_length(reader: EncoderReader, length: float, runs: int, axis: str) -> list[float]:
    """Return the counts of each roll, mm, once there are as many as wanted that can be used.

    Raises:
        SwatheError: it was given up, or the port gives no counts.
    """
    used: list[float] = []
    doubted: float | None = None  # counts of a roll that contradicts the only one before it
    while len(used) < runs:
        name = f"run {len(used) + 1} of {runs}"
        _wait(f"{name}: set it at the start, then press Enter; q gives up", reader)
        roll = _one_roll(reader, name, length, axis)
        fault = roll_fault(roll, silent_at_rest=reader.silent_at_rest)
        problem = fault or roll_problem(roll)
        contradiction = "" if problem else roll_problem(roll, used)
        if contradiction and doubted is not None and agree(roll.counts, doubted):
            say(f"  this and the refused roll agree: run 1 ({used[0]:+,.0f} counts) is left out")
            used = [doubted]
        elif problem or contradiction:
            say(f"  REFUSED, {name} is repeated: {problem or contradiction}", style="bold")
            if contradiction and len(used) == 1:
                doubted = roll.counts
            continue
        doubted = None
        used.append(roll.counts)
        say(f"  {roll.counts:+.0f} counts: {roll.counts / length:+.4f} counts/mm")
    return used[:runs]


def _one_roll(reader: EncoderReader, name: str, length: float, axis: str) -> Roll:
    """Let the user roll the encoder once. Enter does not end it before it has moved."""
    reader.begin_roll()
    scale, units = reader.settings.scale, reader.display

    def live() -> str:
        counts = reader.roll().counts
        return f"{counts:+,.0f} counts, {units.place_text(abs(counts) / scale)} by the station file"

    prompt = first = (
        f"{name}: roll it {units.stated_text(length)} on, in the direction of the {axis} axis, then press Enter; "
        f"{_AGAIN} sets the start again, here"
    )
    while True:
        if _wait(prompt, reader, live) == _AGAIN:
            reader.begin_roll()
            prompt = f"  the start is here. {first}"
            continue
        roll = reader.settled_roll()
        if roll.counts or roll_fault(roll, silent_at_rest=reader.silent_at_rest):
            return roll
        prompt = f"  it has not moved yet. {first}"


def _wait(prompt: str, reader: EncoderReader, live: Callable[[], str] | None = None) -> str:
    """Wait for a key, and return it; while something is live, `_AGAIN` is one.

    Raises:
        SwatheError: it is given up.
    """
    if live is None:
        key = ask(prompt, lambda: _standing(reader))
    else:
        key = ask(prompt, lambda: _rolling(reader, live()), keys=_AGAIN)
    if key == GIVE_UP:
        message = "given up: nothing is measured, and the station file stays as it is"
        raise SwatheError(message)
    return key


def _standing(reader: EncoderReader) -> str:
    """Return the counts as they are."""
    return _rolling(reader, f"{reader.at():,.0f} counts")


def _rolling(reader: EncoderReader, text: str) -> str:
    """Return a text about the newest counts, or that none come."""
    roll = reader.roll()
    if reader.lost:
        return f"PORT LOST: {reader.lost}"
    if roll.silent > SILENT_SECONDS and not reader.silent_at_rest:
        return f"NO COUNT FOR {roll.silent:.0f} s: is the encoder on, its cable right?"
    return text
