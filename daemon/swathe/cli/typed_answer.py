"""A line typed at the terminal, where Ctrl-C is obeyed at any moment."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
from collections.abc import Iterator

from swathe.cli.app import console

__all__ = ["typed_answer"]


def typed_answer(prompt: str) -> str:
    """Return the line that is typed after a prompt, without its end.

    Raises:
        EOFError: the input is closed.
        KeyboardInterrupt: Ctrl-C was pressed, also in the moment between the prompt and the wait.
    """
    with _signals() as signalled:
        console.print(prompt, end="", highlight=False, markup=False, soft_wrap=True)
        if signalled is not None:
            # A signal that arrives just before a blocking read interrupts nothing: the line is only
            # read once it is there.
            select.select([sys.stdin, signalled], [], [])
        return input()


@contextlib.contextmanager
def _signals() -> Iterator[int | None]:
    """Yield a descriptor that is readable once a signal has arrived; None without a terminal."""
    if os.name != "posix" or not sys.stdin.isatty():
        yield None
        return
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    before = signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    try:
        yield reading
    finally:
        signal.set_wakeup_fd(before)
        os.close(reading)
        os.close(writing)
