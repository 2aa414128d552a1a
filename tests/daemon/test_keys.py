"""What a terminal's bytes mean as keys, wherever they are cut."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import sys
import termios
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.keys import KeyDecoder, Pasted, TerminalKeys, _typed, single_keys

SOME = "q\x1b[A\x1b[15~é\x1b[200~q q\n\x1bq\x1b[201~\x15\x1b[Zß\x1bOC\r"
KEYS = ["q", "up", "é", "q q\n\x1bq", "clear", "back", "ß", "right", "enter"]


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("q", ["q"]),
        ("Q", ["Q"]),
        ("\x1b[A\x1b[B", ["up", "down"]),
        ("\x1bOC", ["right"]),
        ("\t\x1b[Z", ["tab", "back"]),
        ("\x1b[15~q", ["q"]),
        ("\x1b[1;5Cq", ["q"]),
        ("\x1bq", []),  # with Alt it is another key
        ("\x1b\x1b", ["escape", "escape"]),
        ("\x1b\x1b[A", ["escape", "up"]),
        ("\x1b", ["escape"]),
        ("\x1b[", []),
        ("ab", ["a", "b"]),
        ("\n\r", ["enter", "enter"]),
        ("\x7f\x08\x15\x17", ["backspace", "backspace", "clear", "clear word"]),
        ("\x1b[H\x1b[F\x1b[3~", ["home", "end", "delete"]),
        ("\x02\x00", []),
        ("ü€", ["ü", "€"]),
    ],
)
def test_keys_of_a_terminal(text: str, keys: list[str]) -> None:
    """Named keys have names, unknown codes none, letters stay letters, Esc alone is a key."""
    decoder = KeyDecoder()
    assert decoder.feed(text.encode()) + decoder.flush() == keys
    assert decoder.patience is None


def test_a_paste_is_a_text_and_no_keys() -> None:
    """A pasted text with a q, a line end and an escape in it is one text; afterwards keys are keys."""
    decoder = KeyDecoder()
    keys = decoder.feed(SOME.encode())
    assert keys == KEYS
    assert [isinstance(key, Pasted) for key in keys].count(True) == 1
    assert isinstance(keys[3], Pasted)


@given(st.lists(st.integers(0, len(SOME.encode())), max_size=8))
def test_keys_do_not_depend_on_how_bytes_are_cut(cuts: list[int]) -> None:
    """Characters of several bytes, sequences and pastes may arrive in any pieces."""
    decoder, data = KeyDecoder(), SOME.encode()
    borders = [0, *sorted(cuts), len(data)]
    keys = [key for begin, end in pairwise(borders) for key in decoder.feed(data[begin:end])]
    assert keys == KEYS


def test_a_paste_without_an_end_does_not_take_the_keys_away() -> None:
    """What came of it is handed on when nothing more comes, and is still no key."""
    decoder = KeyDecoder()
    assert decoder.feed(b"\x1b[200~some") == []
    assert decoder.patience == 1.0
    flushed = decoder.flush()
    assert flushed == ["some"]
    assert isinstance(flushed[0], Pasted)
    assert decoder.feed(b"q") == ["q"]


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Make standard input a pseudo-terminal; return the end at which keys are typed."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master
    os.close(master)


def test_single_keys_in_either_case_and_the_terminal_as_it_was(terminal: int) -> None:
    """Q is q for whoever waits for a letter; a name is one key; modes are restored."""
    before = termios.tcgetattr(terminal)
    with single_keys() as read:
        assert not termios.tcgetattr(terminal)[3] & (termios.ICANON | termios.ECHO)
        os.write(terminal, b"Q\x1b[A \x1b")
        assert [read(20.0) for _ in range(4)] == ["q", "up", " ", "escape"]
        assert read(0.0) == ""
        os.write(terminal, b"left over")
    assert termios.tcgetattr(terminal) == before


async def test_keys_that_were_discarded_are_not_waited_for(
    terminal: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-Z discards a key of which the loop knows already: the next read has nothing, at once."""
    loop = asyncio.get_running_loop()
    readers: list[Callable[[], None]] = []
    monkeypatch.setattr(loop, "add_reader", lambda _, read: readers.append(read))
    keys: list[str] = []
    with TerminalKeys(keys.append):
        (read,) = readers
        os.write(terminal, b"N")
        assert select.select([sys.stdin], [], [], 20)[0]
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
        read()
        assert keys == []
        os.write(terminal, b"N")
        assert select.select([sys.stdin], [], [], 20)[0]
        read()
        assert keys == ["N"]


def test_terminal_that_is_gone_is_no_key(terminal: int) -> None:
    """It is not taken for one where nothing was typed, which would be asked again for ever."""
    with single_keys():
        descriptor = os.open(os.ttyname(sys.stdin.fileno()), os.O_RDONLY | os.O_NONBLOCK)
        try:
            assert _typed(descriptor) == b""
            os.write(terminal, b"\x04")
            termios.tcflush(descriptor, termios.TCIFLUSH)
            assert _typed(descriptor) == b""
        finally:
            os.close(descriptor)
    end, other = os.pipe()
    os.close(other)
    assert _typed(end) is None
    os.close(end)
    assert _typed(end) is None
