"""``python -m swathe`` is the ``swathe`` command."""

from swathe.entry import run_command

run_command()
