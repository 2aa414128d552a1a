"""Single keys from the terminal, for commands that run without an event loop."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator

__all__ = ["single_keys"]


@contextlib.contextmanager
def single_keys() -> Iterator[Callable[[float], str]]:
    """Give a function that waits so many seconds for a key, and returns it or an empty text.

    Where standard input is no terminal, it only waits.
    """
    if os.name != "posix" or not sys.stdin.isatty():
        yield _wait
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)

    def read(seconds: float) -> str:
        ready, _, _ = select.select([descriptor], [], [], seconds)
        return os.read(descriptor, 1).decode(errors="ignore") if ready else ""

    try:
        yield read
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _wait(seconds: float) -> str:
    time.sleep(seconds)
    return ""
