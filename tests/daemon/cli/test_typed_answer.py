"""Lines typed at a terminal."""

from __future__ import annotations

import os
import pty
import signal
import threading
from collections.abc import Iterator

import pytest

from swathe.cli import typed_answer as module
from swathe.cli.typed_answer import typed_answer


class Answering:
    """The console: what answers a prompt does so at the very moment the prompt is written."""

    def __init__(self, answer: threading.Event) -> None:
        self._answer = answer

    def print(self, *_args: object, **_options: object) -> None:
        """Let the other thread answer."""
        self._answer.set()


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A pseudo-terminal as standard input; its other end."""
    master, slave = pty.openpty()
    with os.fdopen(slave, encoding="utf-8") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        yield master
    os.close(master)


def prompt_answered(
    monkeypatch: pytest.MonkeyPatch, typed: list[bool], *, signalled: bool, master: int
) -> str:
    """Return the line read where another thread types it, or presses Ctrl-C first.

    The signal reaches that thread, so that it interrupts no call of this one: as when it comes
    between the prompt and the read. `typed` gets an item when a line is typed.
    """
    prompted, over = threading.Event(), threading.Event()
    monkeypatch.setattr(module, "console", Answering(prompted))

    def answer() -> None:
        assert prompted.wait(60)
        if signalled:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
            signal.pthread_kill(threading.get_ident(), signal.SIGINT)
            over.wait(20)
        if not over.is_set():
            typed.append(True)
            os.write(master, b"Crown\n")

    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    thread = threading.Thread(target=answer)
    thread.start()
    try:
        return typed_answer("part: ")
    finally:
        over.set()
        thread.join()
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def test_line(terminal: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is what is typed, without its end."""
    assert prompt_answered(monkeypatch, [], signalled=False, master=terminal) == "Crown"


def test_signal_that_interrupts_no_read(terminal: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends the question although it came before the read began."""
    typed: list[bool] = []
    with pytest.raises(KeyboardInterrupt):
        prompt_answered(monkeypatch, typed, signalled=True, master=terminal)
    assert not typed


def test_signals_are_received_as_before(terminal: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The descriptor that signals wake is the one it was."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    before = signal.set_wakeup_fd(writing)
    try:
        prompt_answered(monkeypatch, [], signalled=False, master=terminal)
        assert signal.set_wakeup_fd(before) == writing
    finally:
        signal.set_wakeup_fd(before)
        os.close(reading)
        os.close(writing)
