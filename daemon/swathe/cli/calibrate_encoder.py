"""``swathe calibrate encoder`` and ``swathe calibrate length``: rolling a known length, or a part."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, quantity, say
from swathe.cli.calibrate import calibrate
from swathe.errors import SwatheError

__all__ = ["encoder", "part_length"]

_Station = Annotated[Path, typer.Argument(help="The station file.")]
_Axis = Annotated[str, typer.Option(help="scan or index.")]


@calibrate.command()
def encoder(
    station: _Station,
    known: Annotated[str, typer.Option("--length", help="The known length that is rolled.")],
    axis: _Axis = "scan",
    runs: Annotated[int, typer.Option(min=1, max=50, help="How often it is rolled.")] = 3,
    tolerance: Annotated[
        str, typer.Option(help="Greatest difference between two runs before it is warned of.")
    ] = "0.5 %",
) -> None:
    """Measure an encoder's counts per mm by rolling a known length several times.

    The counts are shown while it rolls. A roll that cannot be used is refused as soon as it is over,
    and only that one is repeated. Exit code 0: measured; 3: measured, but the runs differ by more than
    the tolerance; 1: given up.
    """
    from swathe.calibration.encoder_scale import scale_of_rolls
    from swathe.cli.rolling import roll_known_length
    from swathe.live.encoder_reader import EncoderReader
    from swathe.station import read_devices
    from swathe.units import length as length_of
    from swathe.units import percent

    rolled = quantity("--length", known, length_of)
    most = quantity("--tolerance", tolerance, percent)
    if rolled <= 0:
        message = f"'--length' must be > 0 (got {known!r})"
        raise SwatheError(message)
    settings = read_devices(station)
    with EncoderReader(settings, axis) as reader:
        say(f"{reader.device}: {reader.counts():.0f} counts")
        counts = roll_known_length(reader, rolled, runs, axis)
        in_force = reader.settings.scale
    try:
        found = scale_of_rolls([rolled] * runs, counts)
    except ValueError as error:
        raise SwatheError(str(error)) from error
    scale = abs(found.counts_per_mm)
    error_text = "" if runs == 1 else f" ± {found.error:.4f}, runs differ by {found.spread:.2f} %"
    say(f"{scale:.4f} counts/mm{error_text}")
    off = (scale / in_force - 1) * 100
    say(f"the file has {in_force:.4f} counts/mm: {off:+.2f} %")
    reverse = ", reversed = true" if found.counts_per_mm < 0 else ", reversed = false"
    say(f"in the station file: {axis}.counts_per_mm = {scale:.4f}{reverse}")
    if found.spread > most:
        say(
            f"WARNING: the runs differ by more than {most:g} %: does the wheel slip, is it worn, "
            "was the length rolled straight?",
        )
        raise typer.Exit(Exit.NOT_COVERED)


@calibrate.command("length")
def part_length(station: _Station, axis: _Axis = "scan") -> None:
    """Measure a part's length with the encoder: zero at one end, roll to the other.

    The length is shown while it rolls. Enter prints the length so far, each time it is pressed; q ends.
    """
    from swathe.cli.rolling import roll_length
    from swathe.live.encoder_reader import EncoderReader
    from swathe.station import read_devices

    settings = read_devices(station)
    with EncoderReader(settings, axis) as reader:
        roll_length(reader)
