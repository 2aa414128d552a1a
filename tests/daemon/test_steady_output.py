"""Output that nobody takes holds nothing up; of screens the newest is kept, of lines the newest."""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Callable, Iterator

import pytest

from swathe.steady_output import SteadyOutput

PATIENCE = 60.0


class Terminal(io.RawIOBase):
    """Takes what is written only while a test lets it, and some bytes at a time."""

    def __init__(self) -> None:
        self.takes = threading.Event()
        self.asked = threading.Event()
        self.taken = bytearray()
        self.error: OSError | None = None

    def writable(self) -> bool:
        """Return that it may be written to."""
        return True

    def write(self, data: object) -> int:
        """Wait until it takes something, then take a part."""
        self.asked.set()
        self.takes.wait()
        if self.error is not None:
            raise self.error
        part = bytes(memoryview(data)[:100_000])  # type: ignore[arg-type]
        self.taken += part
        return len(part)


@pytest.fixture
def terminal() -> Terminal:
    """Return the terminal on which both streams will be."""
    return Terminal()


Begin = Callable[..., SteadyOutput]


@pytest.fixture
def begin(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> Iterator[Begin]:
    """Return a function that takes the streams over, until the end of the test."""
    made: list[SteadyOutput] = []

    def start(*, keeps_on: bool = True) -> SteadyOutput:
        for name in ("stdout", "stderr"):  # here: pytest sets them before each test
            stream = io.TextIOWrapper(io.BufferedWriter(terminal), encoding="utf-8", newline="")
            monkeypatch.setattr(sys, name, stream)
        output = SteadyOutput()
        output.begin(keeps_on=keeps_on)
        made.append(output)
        return output

    yield start
    terminal.takes.set()
    for output in made:
        assert output.settle(PATIENCE)
        output.close()


def test_writing_does_not_wait_and_keeps_the_order(terminal: Terminal, begin: Begin) -> None:
    """Of both streams; a text without an end of line is written with the next, or by flush."""
    output = begin()
    print("one")
    print("two", file=sys.stderr)
    print("thr", end="")
    print("ee")
    assert not output.settle(0)
    assert not terminal.taken
    terminal.takes.set()
    assert output.settle(PATIENCE)
    assert terminal.taken.decode().split() == ["one", "two", "three"]
    print("rest", end="", flush=True)
    assert output.settle(PATIENCE)
    assert terminal.taken.endswith(b"rest")


def test_newest_screen_replaces_those_that_wait(terminal: Terminal, begin: Begin) -> None:
    """What has begun is completed; codes and lines in between are all kept."""
    output = begin()
    with output.whole_screen():
        print("screen 0")
    assert terminal.asked.wait(PATIENCE)
    for k in range(1, 50):
        with output.whole_screen():
            print(f"screen {k}")
        if k % 20 == 0:
            print(f"line {k}")
    terminal.takes.set()
    assert output.settle(PATIENCE)
    assert terminal.taken.decode().splitlines() == ["screen 0", "line 20", "line 40", "screen 49"]


def test_lines_are_bounded_and_those_left_out_are_counted(terminal: Terminal, begin: Begin) -> None:
    """A megabyte of them, the newest; the place of the others has their number."""
    output = begin()
    print("first")
    assert terminal.asked.wait(PATIENCE)
    text = "x" * 998
    for _ in range(3000):
        print(text)
    print("last")
    terminal.takes.set()
    assert output.settle(PATIENCE)
    lines = terminal.taken.decode().splitlines()
    assert (lines[0], lines[-1]) == ("first", "last")
    left_out = int(lines[1].removeprefix("[").split()[0])
    assert lines[1] == f"[{left_out} lines left out: nothing was taken here]"
    assert len(lines) == 3003 - left_out
    assert 1000 < sum(map(len, lines)) / 1024 <= 1025


@pytest.mark.parametrize("keeps_on", [True, False])
def test_terminal_that_is_gone(terminal: Terminal, begin: Begin, keeps_on: bool) -> None:
    """A run continues; what only shows things ends by the error, as it would without the thread."""
    output = begin(keeps_on=keeps_on)
    terminal.error = BrokenPipeError("gone")
    terminal.takes.set()
    print("one")
    assert output.settle(PATIENCE)
    if keeps_on:
        print("two")
    else:
        with pytest.raises(BrokenPipeError):
            print("two")


def test_stream_without_blocking_takes_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program may have made the terminal so: the thread waits instead, and nothing is lost."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with os.fdopen(reading, "rb") as reader, os.fdopen(writing, "w", encoding="utf-8") as writer:
        for name in ("stdout", "stderr"):
            monkeypatch.setattr(sys, name, writer)
        output = SteadyOutput()
        output.begin()
        print("x" * 300_000)
        assert len(reader.readline()) == 300_001
        assert output.settle(PATIENCE)
        output.close()


def test_streams_that_are_no_files_are_left_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """Such as those of a test or of another program that has this one within it."""
    stream = io.StringIO()
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(sys, name, stream)
    SteadyOutput().begin()
    assert sys.stdout is stream


def test_child_process_has_its_streams_back(terminal: Terminal, begin: Begin) -> None:
    """A fork has no thread that would write; what waits is its parent's."""
    output = begin()
    taken_over = sys.stdout
    output._forget()
    assert sys.stdout is not taken_over
    assert isinstance(sys.stdout, io.TextIOWrapper)
    assert output.settle(0)
    assert not terminal.taken
