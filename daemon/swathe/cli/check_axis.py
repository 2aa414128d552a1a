"""``swathe check --moved``: whether an axis goes the right way, and by its scale, from one known move."""

from __future__ import annotations

import time
from pathlib import Path

from swathe.cli.app import say
from swathe.cli.typed_answer import typed_answer
from swathe.errors import SwatheError

__all__ = ["check_axis"]


def check_axis(path: Path, moved: str, seconds: float) -> bool:
    """Compare a move of the probe with the counts, print what came of it; whether it agrees.

    Args:
        path: of the station file.
        moved: axis and length; with the axis alone the length is asked for.
        seconds: how long the probe may be moved, where the length is given.

    Raises:
        SwatheError: no such axis, no such length, or the port gives no counts.
    """
    from swathe.live.axis_trial import AxisTrial
    from swathe.live.encoder_reader import EncoderReader
    from swathe.station import read_devices

    station = read_devices(path)
    units = station.display
    axis, _, length = moved.strip().partition(" ")
    direction = "in the direction that is to be positive"
    with EncoderReader(station, axis) as reader:
        before = reader.counts()
        if length:
            say(f"move the probe along {axis} by {length} within {seconds:g} s")
            time.sleep(seconds)
        else:
            say(f"move the probe along {axis}, {direction}, by a length that you measure")
            length = typed_answer("by how much? ")
        try:
            known = units.read_length(length)
        except ValueError as error:
            message = f"'--moved' {error} (got {length!r})"
            raise SwatheError(message) from error
        if not known:
            message = f"'--moved' must not be 0 (got {length!r})"
            raise SwatheError(message)
        trial = AxisTrial(
            axis, reader.settings, known, before, reader.counts(), is_length=reader.is_length
        )
    say(trial.text(units))
    for problem in trial.problems:
        say(f"    {problem}")
    if not trial.problems:
        say(f"    direction and scale of {axis} agree with the station file")
    return not trial.problems
