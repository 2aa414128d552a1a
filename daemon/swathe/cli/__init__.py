"""The ``swathe`` command."""

from swathe.cli.app import app, main

__all__ = ["app", "main"]
