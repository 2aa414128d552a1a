"""``swathe demo``: the main job on a simulated penstock, from the first byte to the picture."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console

__all__ = ["demo"]


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the survey and its picture.")] = Path(
        "swathe-demo"
    ),
    speed: Annotated[float, typer.Option(min=0.1, max=40, help="Time scale.")] = 20.0,
    seed: Annotated[int | None, typer.Option(help="Decides everything that is random.")] = None,
    headless: Annotated[
        bool, typer.Option("--headless", help="Print plain lines instead of the board.")
    ] = False,
) -> None:
    """Scan a simulated penstock: gaps appear, are gone back to, and close.

    Everything but Swathe itself is simulated: the pipe, the crawler, its encoder and its gauge on
    pseudo-terminals, and a broker on this machine. Exit code 0: covered; 3: not.
    """
    from swathe.demo import play
    from swathe.live.terminal import CAUTION, PlainLines, terminal_observer
    from swathe.report import draw_survey, gaps_table, summary_line
    from swathe.store import SurveyFolder

    out.mkdir(parents=True, exist_ok=True)
    folder = SurveyFolder(out / "penstock-3")
    if aside := folder.set_aside():
        console.print(f"the older demo is kept as {aside}", soft_wrap=True, highlight=False)
    console.print(CAUTION, soft_wrap=True)

    async def acquire() -> int:
        with PlainLines(console) if headless else terminal_observer(console) as observer:
            result = await play(out, speed=speed, seed=seed, observer=observer)
        record = result.outcome.record
        console.print(
            f"{result.outcome.status}: {result.outcome.reason}, after {result.seconds:.0f} s at "
            f"{speed:g} times the crawler's speed; it went back {result.passes} times",
            soft_wrap=True,
            highlight=False,
        )
        console.print(gaps_table(record, closed=True))
        console.print(summary_line(record), soft_wrap=True)
        picture = draw_survey(folder)
        console.print(f"survey:  {folder.path}", soft_wrap=True, highlight=False)
        console.print(f"arrays:  {folder.zarr}", soft_wrap=True, highlight=False)
        console.print(f"picture: {picture}", soft_wrap=True, highlight=False)
        return Exit.OK if record.target_reached else Exit.NOT_COVERED

    raise typer.Exit(asyncio.run(acquire()))
