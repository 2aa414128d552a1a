"""Keys of a terminal, with an event loop and without one; arrows, editing keys and pastes among them."""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import os
import re
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, NamedTuple, Self

from swathe.steady_output import STEADY_OUTPUT

__all__ = ["KeyDecoder", "Pasted", "TerminalKeys", "is_foreground", "single_keys"]

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
    "\x1b[H": "home",
    "\x1b[1~": "home",
    "\x1bOH": "home",
    "\x1b[F": "end",
    "\x1b[4~": "end",
    "\x1bOF": "end",
    "\x1b[3~": "delete",
    "\t": "tab",
    "\r": "enter",
    "\n": "enter",
    "\x7f": "backspace",
    "\x08": "backspace",
    "\x01": "home",
    "\x05": "end",
    "\x15": "clear",
    "\x17": "clear word",
}
# Control sequences as ECMA-48 defines them; a function key's; a letter with Alt. The last alternatives
# are beginnings, of which the rest is still to come.
_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.|[^\[O\x1b])", re.DOTALL)
_BEGINNING = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?")
_PASTE_BEGINS, _PASTE_ENDS = "\x1b[200~", "\x1b[201~"
# A terminal sends a key's bytes at once; over a slow line they may be apart.
_KEY_SECONDS = 0.05
_PASTE_SECONDS = 1.0
_PASTES_ON, _PASTES_OFF = b"\x1b[?2004h", b"\x1b[?2004l"
_CURSOR, _NO_CURSOR = b"\x1b[?25h", b"\x1b[?25l"


class _TakenTerminal(NamedTuple):
    """Standard input, and its modes before it was taken."""

    descriptor: int
    before: list[int | list[bytes | int]]


class Pasted(str):
    """A text that was pasted; never keys."""

    __slots__ = ()


class KeyDecoder:
    """Decodes a terminal's bytes to keys, wherever they are cut.

    A printable character is its own key, in the case in which it came; other keys have names of
    several letters (``up``, ``enter``, ``escape``, ``clear`` for Ctrl-U ...), and a paste is one
    `Pasted` text. Keys without a name are left out.
    """

    def __init__(self) -> None:
        self._characters = codecs.getincrementaldecoder("utf-8")(errors="ignore")
        self._text = ""
        self._pasting = False

    @property
    def patience(self) -> float | None:
        """Seconds after which `flush` decides on what is incomplete; None where nothing is."""
        if self._pasting:
            return _PASTE_SECONDS
        return _KEY_SECONDS if self._text else None

    def feed(self, data: bytes) -> list[str]:
        """Return the keys that are complete with these bytes."""
        self._text += self._characters.decode(data)
        return list(self._complete())

    def flush(self) -> list[str]:
        """Return what an incomplete key is when nothing follows: Esc alone is ``escape``."""
        text, self._text = self._text, ""
        if self._pasting:
            self._pasting = False
            return [Pasted(text)]
        return ["escape"] if text == "\x1b" else []

    def _complete(self) -> Iterator[str]:
        while self._text:
            if self._pasting:
                pasted, end, rest = self._text.partition(_PASTE_ENDS)
                if not end:
                    return
                self._text, self._pasting = rest, False
                yield Pasted(pasted)
                continue
            code = self._text[0]
            if code == "\x1b":
                if (sequence := _SEQUENCE.match(self._text)) is None:
                    if _BEGINNING.fullmatch(self._text):
                        return
                    self._text = self._text[1:]
                    if self._text.startswith("\x1b"):
                        yield "escape"
                    continue  # else no sequence of any standard
                code = sequence[0]
            self._text = self._text[len(code) :]
            if code == _PASTE_BEGINS:
                self._pasting = True
            elif code in _NAMES:
                yield _NAMES[code]
            elif code.isprintable():
                yield code


class TerminalKeys:
    """Hands the keys of standard input to a function, from the event loop; a context manager.

    It does nothing where standard input is no terminal. `close` and `open` give the terminal back
    and take it again.

    Args:
        press: takes each key.
    """

    def __init__(self, press: Callable[[str], None]) -> None:
        self._press = press
        self._decoder = KeyDecoder()
        self._stack = contextlib.ExitStack()
        self._waiting: asyncio.TimerHandle | None = None

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def open(self) -> None:
        """Take the terminal: each key comes at once and is not echoed."""
        self.close()
        if (taken := self._stack.enter_context(_raw_input())) is None:
            return
        descriptor = taken.descriptor
        self._decoder = KeyDecoder()
        loop = asyncio.get_running_loop()

        def flush() -> None:
            self._waiting = None
            press_all(self._decoder.flush())

        def read() -> None:
            data = _typed(descriptor)
            if data is None:
                loop.remove_reader(descriptor)
                return
            if self._waiting is not None:
                self._waiting.cancel()
                self._waiting = None
            press_all(self._decoder.feed(data))
            if (patience := self._decoder.patience) is not None:
                self._waiting = loop.call_later(patience, flush)

        def press_all(keys: list[str]) -> None:
            for key in keys:
                self._press(key)

        loop.add_reader(descriptor, read)
        self._stack.callback(loop.remove_reader, descriptor)

    def close(self) -> None:
        """Give the terminal back as it was."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        self._stack.close()


@contextlib.contextmanager
def single_keys() -> Iterator[Callable[[float], str]]:
    """Give a function that waits so many seconds for a key, and returns it or an empty text.

    Letters are small, whatever the case in which they came. Where standard input is no terminal,
    it only waits. Ctrl-Z gives the terminal back with its cursor, and ``fg`` takes it again.
    """
    with _raw_input() as taken, _stopping(taken):
        descriptor = None if taken is None else taken.descriptor
        decoder = KeyDecoder()
        keys: list[str] = []

        def read(seconds: float) -> str:
            if descriptor is None:
                time.sleep(seconds)
                return ""
            end = time.monotonic() + seconds
            while not keys:
                patience = decoder.patience
                left = end - time.monotonic() if patience is None else patience
                if select.select([descriptor], [], [], max(left, 0.0))[0]:
                    keys.extend(decoder.feed(_typed(descriptor) or b""))
                elif patience is not None:
                    keys.extend(decoder.flush())
                else:
                    return ""
            return keys.pop(0).lower()

        yield read


@contextlib.contextmanager
def _stopping(taken: _TakenTerminal | None) -> Iterator[None]:
    """Give the terminal back while Ctrl-Z stops this process; in the main thread only."""
    if taken is None or threading.current_thread() is not threading.main_thread():
        yield
        return
    import termios

    descriptor, raw = taken.descriptor, termios.tcgetattr(taken.descriptor)

    def stop(number: int, frame: object) -> None:
        del frame
        with contextlib.suppress(termios.error):
            _set_modes(descriptor, taken.before)
        _write(_PASTES_OFF + _CURSOR)
        signal.signal(number, signal.SIG_DFL)
        signal.pthread_kill(threading.get_ident(), number)  # it stops here
        signal.signal(number, stop)
        with contextlib.suppress(termios.error):
            _set_modes(descriptor, raw)
        _write(_PASTES_ON + _NO_CURSOR)

    before = signal.signal(signal.SIGTSTP, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, before)


def is_foreground() -> bool:
    """Return whether standard input is a terminal that this process may use now."""
    if os.name != "posix" or not sys.stdin.isatty():
        return False
    try:
        return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except OSError:  # a terminal, but not the one that controls this process
        return True


@contextlib.contextmanager
def _raw_input() -> Iterator[_TakenTerminal | None]:
    """Have a terminal give each key at once; None where standard input is none to be used."""
    if not is_foreground():
        yield None
        return
    import termios
    import tty

    descriptor = _opened_again(sys.stdin.fileno())
    taken = _TakenTerminal(descriptor, termios.tcgetattr(descriptor))
    tty.setcbreak(taken.descriptor, termios.TCSANOW)
    _write(_PASTES_ON)
    try:
        yield taken
    finally:
        # From the background the call would stop this process; the shell has set its own mode.
        if is_foreground():
            with contextlib.suppress(termios.error):  # the terminal is gone
                # Keys that nobody has read are not for the shell.
                _set_modes(taken.descriptor, taken.before)
                _write(_PASTES_OFF)
        if descriptor != sys.stdin.fileno():
            os.close(descriptor)


def _set_modes(descriptor: int, modes: list[Any]) -> None:
    """Set the modes of a terminal at once, and discard what was typed.

    Not by TCSAFLUSH, which waits until the terminal has taken all output: after Ctrl-S for ever.
    """
    import termios

    termios.tcflush(descriptor, termios.TCIFLUSH)
    termios.tcsetattr(descriptor, termios.TCSANOW, modes)


def _opened_again(descriptor: int) -> int:
    """Return a descriptor of the same terminal that is never waited for; or as it is, if it has no name.

    Ctrl-Z discards what was typed before it, also between the word that there is something and its
    reading, which would then wait for the next key. The shell's own descriptor stays as it is.
    """
    try:
        return os.open(os.ttyname(descriptor), os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError:
        return descriptor


def _typed(descriptor: int) -> bytes | None:
    """Return what was typed and not read yet, without waiting; None where the terminal is gone."""
    try:
        return os.read(descriptor, 1024) or None
    except BlockingIOError:
        return b""
    except OSError:
        return None


def _write(code: bytes) -> None:
    """Switch a mode of the terminal on which standard output is."""
    STEADY_OUTPUT.write_code(code)
