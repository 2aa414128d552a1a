"""Prompts with a line below them that follows what a device sends, until a key is pressed."""

from __future__ import annotations

import sys
from collections.abc import Callable

from swathe.cli.app import console, say

__all__ = ["GIVE_UP", "ask"]

GIVE_UP = "q"

_REFRESH_SECONDS = 0.1


def ask(prompt: str, live: Callable[[], str], *, keys: str = "") -> str:
    """Return ``enter``, ``q`` or one of the keys, whichever is pressed first, in either case.

    On a terminal `live` is shown meanwhile, ten times a second, and its last text stays. Otherwise a
    line is read, of which the first letter counts, Enter without one; a closed input is ``q``.

    Args:
        prompt: what is to be done.
        live: returns a line.
        keys: letters that answer, too.
    """
    if not (console.is_terminal and sys.stdin.isatty()):
        try:
            typed = console.input(f"{prompt} ").strip().lower()[:1]
        except EOFError:
            return GIVE_UP
        return typed if typed and typed in keys + GIVE_UP else "enter"
    from rich.live import Live
    from rich.text import Text

    from swathe.keys import single_keys

    # What was typed before is not an answer: keys count from here on.
    with (
        single_keys() as key,
        Live(console=console, auto_refresh=False, transient=True) as shown,
    ):
        say(prompt)
        while True:
            shown.update(Text(f"  {live()}", style="bold", overflow="ellipsis"), refresh=True)
            pressed = key(_REFRESH_SECONDS)
            if pressed == "enter" or (pressed and pressed in keys + GIVE_UP):
                return pressed
