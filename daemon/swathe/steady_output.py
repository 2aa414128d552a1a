"""Output to a terminal or pipe that may take none: Ctrl-S, a stopped reader, a closed laptop.

A write to such a terminal waits for ever, and with it the loop of a run. While `SteadyOutput` is begun, what is
printed is written by a thread of its own: of whole screens that wait the newest is kept, of lines the
newest megabyte.
"""

from __future__ import annotations

import atexit
import contextlib
import io
import os
import select
import sys
import threading
from collections import deque
from collections.abc import Iterator
from typing import Any, NamedTuple, TextIO

__all__ = ["STEADY_OUTPUT", "SteadyOutput"]

_MOST_CHARACTERS = 1 << 20
_END_SECONDS = 0.5


class _Piece(NamedTuple):
    """What is written at once: to a stream, as a line, or as a whole screen that a newer one replaces."""

    stream: _Stream
    text: str
    is_screen: bool


class _Stream:
    """Stands in for standard output or standard error; writing to it never waits."""

    def __init__(self, output: SteadyOutput, stream: TextIO, raw: Any) -> None:  # noqa: ANN401
        self._output = output
        self._stream = stream
        self._raw = raw  # unbuffered: a thread that never returns holds no lock of it
        self._text = ""
        self._error: OSError | None = None

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401  all else is as it was
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Take a text; it is handed over with its line, or by `flush`."""
        if self._error is not None and not self._output.keeps_on:
            raise self._error
        self._text += text
        if "\n" in text:
            self.flush()
        return len(text)

    def flush(self) -> None:
        """Hand over what was written."""
        text, self._text = self._text, ""
        if text:
            self._output.put(self, text)

    def write_now(self, text: str) -> None:
        """Write in the thread, and wait as long as it takes."""
        if self._error is not None:
            return
        text = text.replace("\n", os.linesep)
        data = memoryview(text.encode(self._stream.encoding or "utf-8", "replace"))
        try:
            while data:
                written = self._raw.write(data)
                if written is None:  # somebody made it non-blocking
                    select.select([], [self._raw], [])
                    continue
                data = data[written:]
        except OSError as error:  # it is gone
            self._error = error


class SteadyOutput:
    """Writes standard output and standard error in a thread of its own.

    Attributes:
        keeps_on: whether a pipe or terminal that is gone is no error.
    """

    def __init__(self) -> None:
        self.keeps_on = True
        self._pieces: deque[_Piece | None] = deque()  # None ends the thread
        self._changed = threading.Condition()
        self._size = 0  # of the pieces that are no screens
        self._left_out = 0
        self._writing = False
        self._is_screen = False
        self._thread: threading.Thread | None = None
        self._before: tuple[Any, Any] | None = None

    def begin(self, *, keeps_on: bool = True) -> None:
        """Take over both streams until the process ends; does nothing where they are not real files.

        Args:
            keeps_on: whether a pipe or terminal that is gone is no error.
        """
        self.keeps_on = keeps_on
        if self._thread is not None:
            return
        streams = [sys.stdout, sys.stderr]
        buffers = [getattr(stream, "buffer", None) for stream in streams]
        raws = [getattr(buffer, "raw", buffer) for buffer in buffers]  # PYTHONUNBUFFERED: no buffer
        if not all(isinstance(raw, io.RawIOBase) for raw in raws):
            return
        for stream in streams:
            stream.flush()
        self._before = sys.stdout, sys.stderr
        sys.stdout, sys.stderr = (
            _Stream(self, stream, raw) for stream, raw in zip(streams, raws, strict=True)
        )
        self._thread = threading.Thread(target=self._write, name="steady output", daemon=True)
        self._thread.start()
        atexit.register(self.end)
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forget)

    def end(self) -> None:
        """Let a terminal that Ctrl-S has stopped take what gives it back as it was, if it can."""
        self._start_terminal()
        self.settle(_END_SECONDS)

    def close(self) -> None:
        """Give the streams back, and end the thread once it has written what waits."""
        if self._before is None:
            return
        sys.stdout, sys.stderr = self._before
        self._before = self._thread = None
        atexit.unregister(self.end)
        with self._changed:
            self._pieces.append(None)
            self._changed.notify_all()

    def settle(self, seconds: float) -> bool:
        """Wait until all is written, for so long at most; return whether it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not (self._pieces or self._writing), seconds)

    @contextlib.contextmanager
    def whole_screen(self) -> Iterator[None]:
        """What this thread prints is a whole screen: one that waits is replaced by the next."""
        self._is_screen = True
        try:
            yield
        finally:
            self._is_screen = False

    def write_code(self, code: bytes) -> None:
        """Switch a mode of the terminal on which standard output is; nothing where it is none."""
        if not sys.stdout.isatty():
            return
        if self._thread is not None:
            sys.stdout.write(code.decode("ascii"))
            sys.stdout.flush()
            return
        with contextlib.suppress(OSError):
            os.write(sys.stdout.fileno(), code)

    def put(self, stream: _Stream, text: str) -> None:
        """Let the thread write a text; for the streams."""
        with self._changed:
            is_screen = self._is_screen and threading.current_thread() is threading.main_thread()
            if is_screen:
                self._pieces = deque(piece for piece in self._pieces if not _is_screen(piece))
            else:
                self._size += len(text)
            self._pieces.append(_Piece(stream, text, is_screen))
            while self._size > _MOST_CHARACTERS:
                oldest = next(piece for piece in self._pieces if piece and not piece.is_screen)
                self._pieces.remove(oldest)
                self._size -= len(oldest.text)
                self._left_out += oldest.text.count("\n")
            self._changed.notify_all()

    def _write(self) -> None:
        while True:
            with self._changed:
                self._writing = False
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._pieces)
                piece = self._pieces.popleft()
                if piece is None:
                    return
                if not piece.is_screen:
                    self._size -= len(piece.text)
                left_out, self._left_out = self._left_out, 0
                self._writing = True
            if left_out:
                piece.stream.write_now(f"[{left_out} lines left out: nothing was taken here]\n")
            piece.stream.write_now(piece.text)

    def _forget(self) -> None:
        """Give the streams back in a child process, which has no such thread."""
        if self._before is not None:
            sys.stdout, sys.stderr = self._before
            self._before = self._thread = None
            self._changed = threading.Condition()
            self._pieces.clear()

    def _start_terminal(self) -> None:
        """Undo Ctrl-S, where the terminal is this process's own."""
        if self._before is None or os.name != "posix":
            return
        import termios

        with contextlib.suppress(OSError, ValueError, termios.error):
            descriptor = self._before[0].fileno()
            if os.isatty(descriptor) and os.tcgetpgrp(descriptor) == os.getpgrp():
                # Linux continues only what was stopped by a program: stop it once more, by one.
                termios.tcflow(descriptor, termios.TCOOFF)
                termios.tcflow(descriptor, termios.TCOON)


def _is_screen(piece: _Piece | None) -> bool:
    return piece is not None and piece.is_screen


STEADY_OUTPUT = SteadyOutput()
"""The output of this process."""
