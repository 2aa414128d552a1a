"""Single keys of a terminal, arrows among them, with an event loop and without one."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator

__all__ = ["keys_in", "single_keys", "terminal_keys"]

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
    """Yield the keys that a terminal's bytes encode: letters as they are, others by their names."""
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
    """Hand keys to `press` from the event loop while inside; nothing where there is no terminal."""
    with _raw_input() as descriptor:
        if descriptor is None:
            yield
            return
        loop = asyncio.get_running_loop()

        def read() -> None:
            for key in keys_in(os.read(descriptor, 64).decode(errors="ignore")):
                press(key)

        loop.add_reader(descriptor, read)
        try:
            yield
        finally:
            loop.remove_reader(descriptor)


@contextlib.contextmanager
def single_keys() -> Iterator[Callable[[float], str]]:
    """Give a function that waits so many seconds for a letter, and returns it or an empty text.

    Where standard input is no terminal, it only waits.
    """
    with _raw_input() as descriptor:

        def read(seconds: float) -> str:
            if descriptor is None:
                time.sleep(seconds)
                return ""
            ready, _, _ = select.select([descriptor], [], [], seconds)
            return os.read(descriptor, 1).decode(errors="ignore") if ready else ""

        yield read


@contextlib.contextmanager
def _raw_input() -> Iterator[int | None]:
    """Have a terminal give each key at once; None where standard input is none."""
    if os.name != "posix" or not sys.stdin.isatty():
        yield None
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)
    try:
        yield descriptor
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
