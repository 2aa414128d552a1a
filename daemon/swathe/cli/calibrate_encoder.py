"""``swathe calibrate encoder`` and ``swathe calibrate length``: rolling a known length, or a part."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, console, quantity, say
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

    Exit code 0: measured; 3: measured, but the runs differ by more than the tolerance.
    """
    from swathe.calibration.encoder_scale import scale_of_rolls
    from swathe.live.encoder_reader import EncoderReader
    from swathe.station import read_devices
    from swathe.units import length as length_of
    from swathe.units import percent

    rolled = quantity("--length", known, length_of)
    most = quantity("--tolerance", tolerance, percent)
    if rolled <= 0:
        message = f"'--length' must be > 0 mm (got {known!r})"
        raise SwatheError(message)
    settings = read_devices(station)
    counts: list[float] = []
    with EncoderReader(settings, axis) as reader:
        say(f"{reader.device}: {reader.counts():.0f} counts")
        for run in range(1, runs + 1):
            _wait(f"run {run} of {runs}: set it at the start, then press Enter")
            begin = reader.counts()
            _wait(
                f"roll it {rolled:g} mm on, in the direction of the {axis} axis, then press Enter"
            )
            counts.append(reader.counts() - begin)
            each = counts[-1] / rolled
            say(f"  {counts[-1]:+.0f} counts: {each:+.4f} counts/mm")
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

    Enter prints the length so far, each time it is pressed; q and Enter end.
    """
    from swathe.live.encoder_reader import EncoderReader
    from swathe.station import read_devices

    settings = read_devices(station)
    with EncoderReader(settings, axis) as reader:
        sign = -1.0 if reader.settings.reversed else 1.0
        _wait("set the encoder at one end, then press Enter for zero")
        begin = reader.counts()
        answer = ""
        while answer != "q":
            answer = _wait("roll it to the other end, then press Enter; q and Enter end")
            if answer != "q":
                travel = sign * (reader.counts() - begin) / reader.settings.scale
                say(f"{travel:.2f} mm, {travel / 25.4:.3f} in")


def _wait(prompt: str) -> str:
    """Wait for Enter; a closed input ends like q."""
    try:
        return console.input(f"{prompt} ").strip().lower()
    except EOFError:
        return "q"
