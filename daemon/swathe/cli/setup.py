"""``swathe setup STATION.toml``: the gauge's newest A-scan and values, its gates, its sensitivity."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import AreaOption, app, console, say
from swathe.steady_output import STEADY_OUTPUT

if TYPE_CHECKING:
    from swathe.live.setup_bench import SetupBench

__all__ = ["setup"]

_REFRESH_SECONDS = 0.2
_PLAIN_SECONDS = 1.0


@app.command()
def setup(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    area: AreaOption = "",
    by: Annotated[
        str, typer.Option(help="Who sets up: recorded with changed gates and checks.")
    ] = "",
) -> None:
    """Show what the gauge sends, change its gates and check its sensitivity.

    Opens the gauge's port and no survey. Gates that are changed act at once, and are written into the
    station file on request. Ends with 'q' or Ctrl-C.
    """
    STEADY_OUTPUT.begin()
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_setup(station, area=area, by=by))


async def _setup(path: Path, *, area: str, by: str) -> None:
    from swathe.live.setup_bench import SetupBench
    from swathe.live.signals import stop_signals

    bench = SetupBench(path, area=area)
    end = asyncio.Event()
    with stop_signals(lambda _: end.set()):
        async with contextlib.AsyncExitStack() as stack:
            if bench.station.page is not None:
                from swathe.live.setup_page import open_setup_page

                page = open_setup_page(bench, bench.station.page)
                stack.push_async_callback(page.close)
                bench.page = page.trouble or f"page: {page.url}"
                say(bench.page)
            await stack.enter_async_context(bench)
            if console.is_terminal:
                await _on_terminal(bench, end, by=by)
            else:
                await _in_lines(bench, end)
    if bench.unsaved:
        say("the changed gates were not written into the station file")


async def _on_terminal(bench: SetupBench, end: asyncio.Event, *, by: str) -> None:
    from swathe.board import BoardScreen
    from swathe.board.setup_board import SetupBoard
    from swathe.errors import SwatheError
    from swathe.live.run_panel import CAUTION

    checks: set[asyncio.Task[None]] = set()

    async def check(name: str) -> None:
        try:
            board.show(await bench.check_sensitivity(name))
        except SwatheError as error:
            board.show(str(error), bad=True)

    def begin(name: str) -> None:
        task = asyncio.create_task(check(name), name="setup.check")
        checks.add(task)
        task.add_done_callback(checks.discard)

    caution = f"{CAUTION.partition('. ')[0]}."
    board = SetupBoard(console, bench, caution=caution, check=begin, quit_=end.set, by=by)
    with BoardScreen(console, board) as screen:
        while not end.is_set():
            screen.refresh()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_REFRESH_SECONDS):
                    await end.wait()
    for task in checks:
        task.cancel()


async def _in_lines(bench: SetupBench, end: asyncio.Event) -> None:
    """Print a line each second where there is no terminal."""
    from swathe.board.setup_board import age_of_reading, figures_of
    from swathe.live.run_panel import CAUTION

    say(CAUTION)
    while not end.is_set():
        state = bench.state()
        problem = f": {state.gauge.problem}" if state.gauge.problem else ""
        say(f"{figures_of(state)} · {age_of_reading(state.gauge)}{problem}")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_PLAIN_SECONDS):
                await end.wait()
