"""``swathe calibrate``: measure delay, encoder scale and thickness calibration."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import Exit, app, console, errors, say
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.pipeline import DelayEstimate

__all__ = ["delay", "delay_text"]

calibrate = typer.Typer(
    help="Calibrate thickness, encoder and delay; measure a length.", no_args_is_help=True
)
app.add_typer(calibrate, name="calibrate")


@calibrate.callback()
def _group() -> None:
    """Calibrate thickness, encoder and delay; measure a length."""


@calibrate.command()
def delay(
    survey: Annotated[Path, typer.Argument(help="A survey scanned back and forth.")],
    longest: Annotated[
        str, typer.Option(help="Longest delay to look for, to either side.")
    ] = "200 ms",
) -> None:
    """Measure the delay between encoder and gauge on a scan run back and forth.

    A serpentine raster gives it, and so does scanning to and fro over an edge or a step on one line.
    Printed are the delay, its 95 % interval and, if that is too wide to apply it, what it takes. The
    mean of the jitter is part of the delay of a gauge without a clock, and so is backlash of the
    encoder if all lines have the same speed. Exit code 0: the delay is known; 3: it is not sure.
    """
    from swathe.pipeline.placing.delay_observer import DelayObserver
    from swathe.station import gauge_of
    from swathe.store import SurveyFolder, replay
    from swathe.units import duration_ns

    try:
        longest_ns = duration_ns(longest)
    except ValueError as error:
        message = f"'--longest' {error} (got {longest!r})"
        raise SwatheError(message) from error
    folder = SurveyFolder(survey)
    station = folder.first_station()
    watch = DelayObserver(scan=station.scan_axis, index=station.index_axis)

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    pipeline = replay(folder, observer=watch, on_torn=tell_torn)
    station = pipeline.station
    gauge = gauge_of(station)
    if gauge == station.scan.device:
        console.print(
            f"{gauge} sends position and reading in one line: there is no delay to take off"
        )
        raise typer.Exit(Exit.OK)
    found = watch.estimate(longest_ns=longest_ns)
    in_force = pipeline.delays[gauge] / 1e6
    say(delay_text(gauge, found, in_force))
    if not found.sure:
        say(f"not sure: {found.reason}")
        say(f"to be sure it takes {found.needs}")
        raise typer.Exit(Exit.NOT_COVERED)
    total = in_force + found.delay / 1e6
    if total < 0:
        device = station.scan.device
        say(
            f"so it is {device} that comes late: raise device.{device}.delay by {-total:.2f} ms",
        )
        return
    say(f'in the station file: device.{gauge}.delay = "{total:.2f} ms"')
    say(
        f'for this survey: swathe rebuild {survey} --delay "{gauge}={total:.2f} ms"',
    )


def delay_text(gauge: str, found: DelayEstimate, in_force: float) -> str:
    """Return a measured delay with its interval, whether it is sure or not.

    Args:
        gauge: the device.
        found: in addition to the delay in force.
        in_force: delay in force, ms.
    """
    total = in_force + found.delay / 1e6
    pairs = f"({found.pairs} {'pair' if found.pairs == 1 else 'pairs'} of lines)"
    ends = [
        f"{in_force + end / 1e6:.2f} ms" if math.isfinite(end) else "unknown"
        for end in (found.low, found.high)
    ]
    if math.isfinite(found.low) or math.isfinite(found.high):
        return (
            f"delay of {gauge}: {total:.2f} ms, 95 % interval {ends[0]} to {ends[1]}; {in_force:g} ms "
            f"are in force {pairs}"
        )
    if found.delay:
        return f"delay of {gauge}: {total:.2f} ms agrees best, any other may be right {pairs}"
    return f"delay of {gauge}: unknown {pairs}"
