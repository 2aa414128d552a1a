"""``swathe driver new NAME``: write a package for a driver in Python."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, say
from swathe.errors import SwatheError

__all__ = ["new"]

_commands = typer.Typer(help="Write a driver in Python, for what no description fits.")
app.add_typer(_commands, name="driver", no_args_is_help=True)


@_commands.command("new")
def new(
    name: Annotated[str, typer.Argument(help="Name of the driver, such as my_device.")],
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder", help="Folder to write; by default NAME, here.", show_default=False
        ),
    ] = None,
) -> None:
    """Write a package with a driver that passes the contract of drivers."""
    from swathe_drivers.template import driver_package

    package = driver_package(name)
    folder = folder or Path(name)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        message = f"{folder} is there already and not empty; name another one with --folder"
        raise SwatheError(message)
    for path, text in package.items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        say(f"wrote {file}")
    say(f"next: cd {folder}; pip install -e '.[test]'; pytest; then README.md in it")
