"""``python -m swathe`` is the ``swathe`` command."""

from swathe.cli.main import main

main()
