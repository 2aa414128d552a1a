"""A shell with job control on a pseudo-terminal, and what a person sees and types there."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import signal
import struct
import termios
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

__all__ = ["ShellTerminal"]

_PROMPT = "prompt> "
# Shells such as bash set the modes of the terminal after a job stopped; this one leaves them as the job
# did.
_SHELL = ["/bin/sh", "-i"]


class ShellTerminal:
    """A terminal with a shell in it, which takes what is written whether the test looks or not.

    Args:
        size: rows and columns.

    Attributes:
        bells: how often it rang.
    """

    def __init__(self, *, size: tuple[int, int] = (24, 80)) -> None:
        self._size = size
        self._seen = b""
        self.bells = 0
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._taking = threading.Thread(target=self._take, daemon=True)

    def __enter__(self) -> Self:
        self._child, self._master = pty.fork()
        if self._child == 0:
            environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
            environment |= {"TERM": "xterm-256color", "PS1": _PROMPT, "ENV": ""}
            os.execve(_SHELL[0], _SHELL, environment)  # noqa: S606  there is a shell: it
        fcntl.ioctl(self._master, termios.TIOCSWINSZ, struct.pack("HHHH", *self._size, 0, 0))
        self._taking.start()
        self.wait_for(_PROMPT)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        foreground = os.tcgetpgrp(self._master)
        for group in {foreground, self._child} - {0}:  # 0 would be the group of the tests
            for number in (signal.SIGHUP, signal.SIGCONT, signal.SIGKILL):
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(group, number)
        os.waitpid(self._child, 0)
        self._over.set()
        self._taking.join()
        os.close(self._master)

    def type(self, text: str) -> None:
        """Type a text; what was seen before is forgotten."""
        self._read(0.0)
        with self._lock:
            self._seen = b""
        os.write(self._master, text.encode())

    def signal_job(self, name: str) -> None:
        """Send the job in the foreground a signal."""
        os.killpg(os.tcgetpgrp(self._master), getattr(signal, name))

    @property
    def has_lines(self) -> bool:
        """Whether the terminal hands over whole lines and echoes what is typed."""
        modes = termios.tcgetattr(self._master)[3]
        return bool(modes & termios.ICANON) and bool(modes & termios.ECHO)

    @property
    def raw(self) -> bytes:
        """What was written since something was typed."""
        return self._seen

    def wait_for(self, text: str, timeout: float = 60) -> str:
        """Return what is seen once `text` is in it."""
        return self.wait(lambda: text in self.seen, text, timeout)

    def wait(self, condition: Callable[[], bool], what: str, timeout: float = 60) -> str:
        """Return what is seen once `condition` holds."""
        end = time.monotonic() + timeout
        while not condition():
            assert time.monotonic() < end, f"{what!r} not seen:\n{self.seen[-4000:]}"
            self._read(0.1)
        return self.seen

    @property
    def seen(self) -> str:
        """What was written since something was typed, without control sequences."""
        text = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", self._seen)
        return text.decode(errors="replace").replace("\r", "")

    def _take(self) -> None:
        while not self._over.wait(0.02):
            self._read(0.0)

    def _read(self, seconds: float) -> None:
        with self._lock:
            while select.select([self._master], [], [], seconds)[0]:
                try:
                    data = os.read(self._master, 65_536)
                except OSError:
                    return
                self.bells += data.count(b"\a")
                self._seen += data
                seconds = 0.0
