"""``python -m swathe`` is the ``swathe`` command."""

from swathe.cli import main

main()
