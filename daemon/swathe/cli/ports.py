"""``swathe ports``: the serial ports of this computer, and how to name each."""

from __future__ import annotations

import typer
from rich.table import Table

from swathe.cli.app import Exit, app, console, say

__all__ = ["ports"]


@app.command()
def ports() -> None:
    """List the serial ports present, with a name for each that survives re-plugging.

    Exit code 0: there are some; 1: there are none.
    """
    from swathe_drivers import list_ports

    found = list_ports()
    if not found:
        say("no serial port is present; is the adapter plugged in?")
        raise typer.Exit(Exit.ERROR)
    table = Table(box=None, pad_edge=False)
    for heading in ("port = ", "device", "description", "manufacturer", "serial number"):
        table.add_column(heading, no_wrap=True)
    for port in found:
        table.add_row(
            f'"{port.name}"',
            port.device,
            port.description or "–",
            port.manufacturer or "–",
            port.serial_number or "–",
        )
    console.print(table, highlight=False, markup=False)
