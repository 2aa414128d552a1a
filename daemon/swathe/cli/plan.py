"""``swathe plan STATION.toml``: time and distance of the crawler's raster."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import AreaOption, Exit, app, say

__all__ = ["plan"]


@app.command()
def plan(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    out: Annotated[Path | None, typer.Option(help="Draw the plan into this PNG.")] = None,
    area: AreaOption = "",
) -> None:
    """Show time and distance of the crawler's raster, with cautions; nothing moves.

    Exit code 0: all of the plan can be reached; 3: some of it is unreached.
    """
    from swathe.cli.arming import plan_lines, planned
    from swathe.report import MOTION_CAUTION
    from swathe.station import read_station

    settings, _ = read_station(station, area=area)
    made, work_area = planned(settings)
    for line in plan_lines(settings, made, work_area):
        say(line)
    if out is not None:
        from swathe.report.plan_picture import draw_plan

        say(f"picture: {draw_plan(made, work_area, out)}")
    say(MOTION_CAUTION)
    raise typer.Exit(Exit.NOT_COVERED if made.left_out else Exit.OK)
