"""``swathe demo``: the main job on a simulated penstock, from the first byte to the picture."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, say
from swathe.stop_requests import STOP_REQUESTS

__all__ = ["demo"]


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the survey and its picture.")] = Path(
        "swathe-demo"
    ),
    speed: Annotated[float, typer.Option(min=0.1, max=40, help="Time scale.")] = 20.0,
    seed: Annotated[int | None, typer.Option(help="Seed of everything random.")] = None,
    headless: Annotated[
        bool, typer.Option("--headless", help="Print plain lines instead of the board.")
    ] = False,
    page: Annotated[
        int, typer.Option(min=0, max=65_535, help="Port of the page; 0 for a free one.")
    ] = 0,
) -> None:
    """Scan a simulated penstock: gaps open, are scanned again, and close.

    Everything but Swathe itself is simulated: the pipe, the crawler, its encoder and its gauge on
    pseudo-terminals, and a broker on this machine. Exit code 0: covered; 3: not.
    """
    from swathe.demo import play
    from swathe.live.run_panel import CAUTION, page_text
    from swathe.live.terminal import TerminalObserver
    from swathe.page import Page
    from swathe.report import gaps_table, summary_line, times
    from swathe.store import SurveyFolder

    out.mkdir(parents=True, exist_ok=True)
    folder = SurveyFolder(out / "penstock-3")
    STOP_REQUESTS.hold()
    if aside := folder.set_aside():
        say(f"the older demo is kept as {aside}")
    say(CAUTION)

    def tell_page(page: Page) -> None:
        say(page_text(page))

    def tell_crawl(words: str) -> None:
        say(f"crawler: {words}")

    async def acquire() -> int:
        with TerminalObserver(console, plain=headless) as observer:
            result = await play(
                out,
                speed=speed,
                seed=seed,
                observer=observer,
                page_port=page,
                on_page=tell_page,
                on_crawl=None if console.is_terminal and not headless else tell_crawl,
            )
        record = result.outcome.record
        say(
            f"{result.outcome.status}: {result.outcome.reason}, after {result.seconds:.0f} s at "
            f"{speed:g} times the crawler's speed; it returned {times(result.passes)}",
        )
        console.print(gaps_table(record, closed=True))
        say(summary_line(record))
        say(f"survey:  {folder.path}")
        say(f"arrays:  {folder.zarr}")
        say(f"picture: {result.picture or 'none'}")
        return Exit.OK if record.target_reached else Exit.NOT_COVERED

    raise typer.Exit(asyncio.run(acquire()))
