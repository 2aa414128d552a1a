"""``swathe verify STATION.toml``: check the calibration on a block, before, between and after."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import AreaOption, Exit, app, console, errors, quantity, say

__all__ = ["verify"]


@app.command()
def verify(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    by: Annotated[str, typer.Option(help="Who checks.")],
    phase: Annotated[str, typer.Option(help="before, interval or after the scan.")] = "interval",
    area: AreaOption = "",
    steady: Annotated[
        str, typer.Option(help="Greatest spread of a step's readings: a thickness.")
    ] = "0.1 mm",
) -> None:
    """Check the calibration on the steps that the station file's [verification] names.

    The gauge's readings are written to the survey's journal. A check that fails makes everything since
    the last pass suspect. Exit code 0: passed; 3: failed.
    """
    from rich.live import Live

    from swathe.cli.step_prompts import confirm_step, spread_tolerance, steadiness_line
    from swathe.errors import SwatheError
    from swathe.live.calibration_check import run_calibration_check
    from swathe.pipeline import CheckPhase
    from swathe.report.checks import check_table
    from swathe.station import read_station, survey_folder
    from swathe.store import SurveyFolder
    from swathe.units import length

    if phase not in set(CheckPhase):
        message = f"'--phase' must be one of {', '.join(CheckPhase)} (got {phase!r})"
        raise SwatheError(message)
    settings, text = read_station(station, area=area)
    tolerance = spread_tolerance(settings, quantity("--steady", steady, length))
    folder = SurveyFolder(survey_folder(settings, station))

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    async def check() -> int:
        live = Live(console=console, auto_refresh=False, transient=True)

        async def put_on(thickness: float) -> bool:
            live.stop()
            ready = await confirm_step(thickness, settings.display)
            live.start()
            return ready

        try:
            found = await run_calibration_check(
                settings,
                text,
                folder,
                phase=CheckPhase(phase),
                by=by,
                tolerance_of_steadiness=tolerance,
                ask=put_on,
                show=lambda state: live.update(steadiness_line(state, settings), refresh=True),
                on_torn=tell_torn,
            )
        finally:
            live.stop()
        console.print(check_table(found, settings.display))
        if found.passed:
            say(
                f"check {found.number} passed: within {settings.display.stated_text(found.tolerance)}"
            )
            return Exit.OK
        say(
            f"check {found.number} FAILED: {found.suspects:,} cells read since the last pass are "
            "suspect, and so is what is read until a check passes. Calibrate again, or look whether "
            "the block, the step or the couplant was the wrong one; a check that does not count is "
            "overridden by `swathe rebuild --override-check`.",
            style="bold",
        )
        return Exit.NOT_COVERED

    raise typer.Exit(asyncio.run(check()))
