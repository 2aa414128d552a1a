"""Shared by every subcommand of ``swathe``: the application, the consoles, the exit codes."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.log_output import LogFormat, log_handler
from swathe.cli.safe_console import SafeConsole
from swathe.errors import SwatheError
from swathe.stop_requests import STOP_REQUESTS

__all__ = ["AreaOption", "Exit", "app", "console", "errors", "quantity", "say", "warn_unverified"]

AreaOption = Annotated[
    str, typer.Option("--area", help="The area of the station file, where it has several.")
]

app = typer.Typer(
    name="swathe",
    help="Acquire encoded ultrasonic thickness scans, and prove that every position was measured.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

# Output to a file or a pipe has no window width to keep to.
console = SafeConsole(width=None if sys.stdout.isatty() else 120)
errors = SafeConsole(stderr=True)


def say(text: str, *, style: str | None = None) -> None:
    """Print a line as it is: wrapped at words in a terminal, whole in a file or a pipe."""
    console.print(
        text, style=style, soft_wrap=not console.is_terminal, highlight=False, markup=False
    )


def warn_unverified(path: Path, reason: str) -> None:
    """Print that what is shown of a survey is not verified, with the reason, if there is one."""
    if reason:
        errors.print(f"{path}: NOT VERIFIED: {reason}", style="bold", soft_wrap=True, markup=False)


def quantity(option: str, text: str, convert: Callable[[object], float]) -> float:
    """Return what `convert` makes of an option's text.

    Raises:
        SwatheError: it makes nothing of it; names the option and the text.
    """
    try:
        return float(convert(text))
    except ValueError as error:
        message = f"'{option}' {error} (got {text!r})"
        raise SwatheError(message) from error


# These pass a signal on to what they run.
_ENDED_IN_ORDER = ("run", "demo")


class Exit:
    """Exit codes of every subcommand."""

    OK = 0
    ERROR = 1
    USAGE = 2
    NOT_COVERED = 3
    HALTED = 4
    """A fault stopped the crawler and must be cleared."""
    JOURNAL_DAMAGED = 5
    """The journal is damaged; what could be read of it is evaluated."""


def _print_version(value: bool) -> None:
    if value:
        from swathe import __version__

        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _options(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001  handled by its callback
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", help="Print more on standard error.")
    ] = False,
    log: Annotated[
        LogFormat,
        typer.Option("--log", help="Format of standard error: text, keys (key=value) or json."),
    ] = LogFormat.TEXT,
) -> None:
    """Set up logging and signals for every subcommand."""
    if context.invoked_subcommand not in _ENDED_IN_ORDER:
        STOP_REQUESTS.end()  # what Ctrl-C and SIGTERM do to a command by default is right for it
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        format="%(message)s",
        handlers=[log_handler(log, errors)],
    )
    for name in ("amqtt", "transitions", "matplotlib", "mqtt"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
