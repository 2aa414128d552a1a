"""The command's first lines: signals are received before anything that takes long is imported."""

from __future__ import annotations

from swathe.stop_requests import STOP_REQUESTS

__all__ = ["run_command"]


def run_command() -> None:
    """Run the ``swathe`` command."""
    STOP_REQUESTS.begin()
    from swathe.cli.main import main

    main()
