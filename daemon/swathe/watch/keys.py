"""Single keys of a terminal, arrows among them."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Callable, Iterator

__all__ = ["keys_in", "terminal_keys"]

_NAMES = {
    "\x1b[A": "up",
    "\x1b[B": "down",
    "\x1b[C": "right",
    "\x1b[D": "left",
    "\x1bOA": "up",
    "\x1bOB": "down",
    "\x1bOC": "right",
    "\x1bOD": "left",
    "\x1b[Z": "back",
    "\t": "tab",
}


def keys_in(text: str) -> Iterator[str]:
    """Yield the keys that a terminal's bytes tell: letters as they are, others by their names."""
    while text:
        for code, name in _NAMES.items():
            if text.startswith(code):
                yield name
                text = text[len(code) :]
                break
        else:
            if text[0] != "\x1b":
                yield text[0]
                text = text[1:]
            else:  # a key that we have no name for; what it sends is not letters
                text = text[1:].lstrip("[O").lstrip("0123456789;")[1:]


@contextlib.contextmanager
def terminal_keys(press: Callable[[str], None]) -> Iterator[None]:
    """Hand keys to `press` while inside, where the terminal and the loop allow it."""
    if os.name != "posix" or not sys.stdin.isatty():
        yield
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    loop = asyncio.get_running_loop()

    def read() -> None:
        for key in keys_in(os.read(descriptor, 64).decode(errors="ignore")):
            press(key)

    tty.setcbreak(descriptor)
    loop.add_reader(descriptor, read)
    try:
        yield
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
