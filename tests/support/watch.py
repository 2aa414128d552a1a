"""``swathe watch`` in a process of its own: with lines through a pipe, or on a terminal."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import threading
import time
from types import TracebackType
from typing import Self

__all__ = ["WatchProcess", "WatchTerminal"]


class WatchProcess:
    """Its lines, as they come.

    Args:
        arguments: of ``swathe watch``.
    """

    def __init__(self, *arguments: object) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "watch", *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._follow, name="watch.reader")

    def __enter__(self) -> Self:
        self._reader.start()
        return self

    def _follow(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.lines.append(line.rstrip("\n"))

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.terminate()
        self._process.wait(20)
        self._reader.join(20)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def wait_for(self, text: str, timeout: float = 30) -> str:
        """Return the first line with `text`, when it is there."""
        end = time.monotonic() + timeout
        while True:
            for line in list(self.lines):
                if text in line:
                    return line
            assert time.monotonic() < end, f"{text!r} not among {self.lines}"
            time.sleep(0.05)


class WatchTerminal:
    """Its board on a pseudo-terminal, as the screen's last picture in plain text.

    Args:
        arguments: of ``swathe watch``.
        size: rows and columns.
    """

    def __init__(self, *arguments: object, size: tuple[int, int] = (24, 80)) -> None:
        self._size = size
        self._arguments = [sys.executable, "-m", "swathe", "watch", *map(str, arguments)]
        self._told = b""
        self.bells = 0

    def __enter__(self) -> Self:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", *self._size, 0, 0))
        self.process = subprocess.Popen(
            self._arguments,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={
                **{k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")},
                "TERM": "xterm-256color",
            },
        )
        os.close(slave)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(20)
        os.close(self._master)

    def press(self, keys: str) -> None:
        """Press keys."""
        os.write(self._master, keys.encode())

    def look(self, seconds: float = 0.6) -> str:
        """Return the newest picture after so long."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if select.select([self._master], [], [], left)[0]:
                try:
                    data = os.read(self._master, 65_536)
                except OSError:  # it has ended
                    break
                self.bells += data.count(b"\a")
                self._told += data
        # Each picture begins with the cursor at home.
        pictures = self._told.split(b"\x1b[H")
        self._told = b"\x1b[H".join(pictures[-2:])
        whole = max(pictures[-2:], key=len)
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", whole.decode(errors="replace")).replace(
            "\r", ""
        )

    def wait_for(self, text: str, timeout: float = 30) -> str:
        """Return the first picture with `text`."""
        end = time.monotonic() + timeout
        while True:
            picture = self.look(0.3)
            if text in picture:
                return picture
            assert time.monotonic() < end, f"{text!r} not on the board:\n{picture}"
