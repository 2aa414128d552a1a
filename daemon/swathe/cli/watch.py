"""``swathe watch``: the stations of a broker, seen from anywhere."""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, console, say
from swathe.errors import SwatheError
from swathe.steady_output import STEADY_OUTPUT

if TYPE_CHECKING:
    from swathe.station import BrokerSettings, PageSettings

__all__ = ["watch"]

_REFRESH_SECONDS = 0.25


@app.command()
def watch(
    station: Annotated[
        str | None, typer.Option(help="Watch only this station instead of all.")
    ] = None,
    host: Annotated[str, typer.Option(help="The broker's address.")] = "127.0.0.1",
    port: Annotated[
        int | None, typer.Option(min=1, max=65_535, help="Its port; 1883, or 8883 with --tls.")
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Print a line for each change instead of the board.")
    ] = False,
    by: Annotated[
        str, typer.Option(help="Name of the watcher; with a name the key 'a' acknowledges alarms.")
    ] = "",
    username: Annotated[str | None, typer.Option(help="User name at the broker.")] = None,
    password_variable: Annotated[
        str | None, typer.Option(help="Environment variable that holds the password.")
    ] = None,
    tls: Annotated[
        bool, typer.Option("--tls", help="Encrypt, and verify the broker's certificate.")
    ] = (False),
    ca_file: Annotated[
        Path | None,
        typer.Option(
            help="PEM file of the authority that signed the broker's certificate; implies --tls."
        ),
    ] = None,
    certificate_file: Annotated[
        Path | None, typer.Option(help="PEM file of the client certificate; implies --tls.")
    ] = None,
    key_file: Annotated[
        Path | None, typer.Option(help="PEM file of the client certificate's key.")
    ] = None,
    page: Annotated[
        int | None,
        typer.Option(
            min=0, max=65_535, help="Serve a page over all stations on this port; 0 for a free one."
        ),
    ] = None,
    page_host: Annotated[
        str,
        typer.Option(
            help="Address of that page: this machine only unless given; others require a token."
        ),
    ] = "127.0.0.1",
    page_token_variable: Annotated[
        str, typer.Option(help="Environment variable with its token; one is made unless given.")
    ] = "",
    page_name: Annotated[
        list[str] | None,
        typer.Option(help="Name under which viewers reach the page. Repeatable."),
    ] = None,
) -> None:
    """Watch coverage, gaps, alarms and ports of stations over MQTT alone.

    Ends with 'q' or Ctrl-C. A lost broker is connected to again; until then the age of what is
    shown is displayed.
    """
    from swathe.errors import StationError
    from swathe.station import BrokerSettings, PageSettings
    from swathe.station.broker import check_broker

    tls = tls or any(path is not None for path in (ca_file, certificate_file, key_file))
    settings = BrokerSettings(
        host=host,
        port=port or (8883 if tls else 1883),
        username=username,
        password_variable=password_variable,
        tls=tls,
        ca_file=None if ca_file is None else str(ca_file),
        certificate_file=None if certificate_file is None else str(certificate_file),
        key_file=None if key_file is None else str(key_file),
    )
    if problems := check_broker(settings):
        raise StationError("swathe watch", problems)
    pages = None
    if page is not None:
        pages = PageSettings(
            host=page_host,
            port=page,
            token_variable=page_token_variable or None,
            names=tuple(page_name or ()),
        )
    STEADY_OUTPUT.begin(keeps_on=False)
    with contextlib.suppress(KeyboardInterrupt):
        try:
            asyncio.run(
                _watch(settings, station, pages, by=by, plain=plain or not console.is_terminal)
            )
        except BaseExceptionGroup as group:
            found = group.subgroup(SwatheError)
            if found is None:
                raise
            raise found.exceptions[0] from group


async def _watch(
    settings: BrokerSettings,
    station: str | None,
    pages: PageSettings | None,
    *,
    by: str,
    plain: bool,
) -> None:
    import aiomqtt

    from swathe.board import Board, BoardScreen, PlainLines, Stations
    from swathe.watch import WatchLink, WatchPanel

    stations = Stations()

    def take(topic: str, payload: bytes, retained: bool) -> None:
        stations.take(topic, payload, retained=retained, now=time.monotonic())

    link = WatchLink(settings, station=station, on_message=take)
    end = asyncio.Event()
    shown = ""
    async with contextlib.AsyncExitStack() as stack, asyncio.TaskGroup() as tasks:
        if pages is not None:
            from swathe.watch.overview_page import OverviewPage

            page = OverviewPage(pages, stations, link)
            if page.trouble:
                raise SwatheError(page.trouble)
            stack.push_async_callback(page.close)
            page.open()
            shown = page.address_text(logged=not console.is_terminal)
        listener = tasks.create_task(link.run(), name="watch.link")

        async def send(name: str, alarm: int) -> None:
            with contextlib.suppress(aiomqtt.MqttError):  # the board shows that the broker is lost
                view = stations.find(name)
                state = None if view is None else view.state
                session = None if state is None else state.session or None
                await link.acknowledge(name, alarm, by, session=session)

        def acknowledge(name: str, alarm: int) -> None:
            tasks.create_task(send(name, alarm), name="watch.acknowledge")

        if plain:
            if shown:
                say(shown)
            lines = PlainLines(stations, say)
            while True:
                detail = f": {link.detail}" if link.detail else ""
                text = f"broker {link.address} {link.state}{detail}"
                lines.print_once(("broker",), link.state, text)
                lines.refresh()
                await asyncio.sleep(_REFRESH_SECONDS)
        panel = WatchPanel(link, quit_=end.set, acknowledge=acknowledge if by else None, page=shown)
        board = Board(console, stations, panel, ring=console.bell)
        with BoardScreen(console, board) as screen:
            while not end.is_set():
                screen.refresh()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_REFRESH_SECONDS):
                        await end.wait()
        listener.cancel()
