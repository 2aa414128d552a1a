"""``swathe verify STATION.toml``: check the calibration on a block, before, between and after."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import AreaOption, Exit, app, console, errors, quantity, say

if TYPE_CHECKING:
    from swathe.calibration import StabilityState
    from swathe.display_units import DisplayUnits
    from swathe.live.calibration_check import RoundOutcome, StepAnswer
    from swathe.live.check_round import CheckRound
    from swathe.pipeline import Check
    from swathe.station import CarriageProbe

__all__ = ["verify"]


@app.command()
def verify(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    by: Annotated[str, typer.Option(help="Who checks.")],
    phase: Annotated[str, typer.Option(help="before, interval or after the scan.")] = "interval",
    probe_name: Annotated[
        str, typer.Option("--probe", help="Only this [[probe]] of several; all in turn without it.")
    ] = "",
    area: AreaOption = "",
    steady: Annotated[
        str, typer.Option(help="Greatest spread of a step's readings: a thickness.")
    ] = "0.1 mm",
) -> None:
    """Check the calibration on the steps that the station file's [verification] names.

    The gauge's readings are written to the survey's journal. A check that fails makes everything since
    the last pass suspect, of several probes what the failed one read. Exit code 0: passed; 3: failed.
    """
    from rich.live import Live

    from swathe.cli.step_prompts import confirm_step, spread_tolerance, steadiness_line
    from swathe.errors import SwatheError
    from swathe.live.calibration_check import run_calibration_check
    from swathe.pipeline import CheckPhase
    from swathe.station import read_station, station_of_probe, survey_folder
    from swathe.store import SurveyFolder
    from swathe.units import length

    if phase not in set(CheckPhase):
        message = f"'--phase' must be one of {', '.join(CheckPhase)} (got {phase!r})"
        raise SwatheError(message)
    settings, text = read_station(station, area=area)
    spread = quantity("--steady", steady, length)
    folder = SurveyFolder(survey_folder(settings, station))

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    async def check() -> RoundOutcome:
        live = Live(console=console, auto_refresh=False, transient=True)

        async def put_on(around: CheckRound) -> StepAnswer:
            live.stop()
            thickness = around.steps.thickness or 0.0
            answer = await confirm_step(
                thickness, settings.display, probe=around.name, head=around.head
            )
            live.start()
            return answer

        def show(probe: CarriageProbe, state: StabilityState) -> None:
            of = station_of_probe(settings, probe.number)
            live.update(steadiness_line(state, of, probe.device), refresh=True)

        def print_made(made: Check) -> None:
            live.stop()
            _print_check(made, settings.display)

        try:
            return await run_calibration_check(
                settings,
                text,
                folder,
                phase=CheckPhase(phase),
                by=by,
                probe=probe_name,
                tolerance_of_steadiness=lambda probe: spread_tolerance(
                    station_of_probe(settings, probe.number), spread, probe.device
                ),
                ask=put_on,
                show=show,
                refused=lambda reason: say(f"  {reason}", style="bold"),
                made=print_made,
                on_torn=tell_torn,
            )
        finally:
            live.stop()

    found = asyncio.run(check())
    for name in found.skipped:
        say(f"probe {name} was left out: it was not checked", style="bold")
    if not (found.checks and all(made.passed for made in found.checks)):
        raise typer.Exit(Exit.NOT_COVERED)


def _print_check(found: Check, display: DisplayUnits) -> None:
    """Print a check with its verdict, and what follows from a failed one."""
    from swathe.report.checks import check_table

    of = f" of probe {found.probe_name}" if found.probe_name else ""
    console.print(check_table(found, display))
    if found.passed:
        say(f"check {found.number}{of} passed: within {display.stated_text(found.tolerance)}")
        return
    whose = " of this probe" if of else ""
    say(
        f"check {found.number}{of} FAILED: {found.suspects:,} cells{whose} read since the last pass are "
        "suspect, and so is what is read until a check passes. Calibrate again, or look whether "
        "the block, the step or the couplant was the wrong one; a check that does not count is "
        "overridden by `swathe rebuild --override-check`.",
        style="bold",
    )
