"""The process that stops a machine when nobody gives signs of life: on a real pseudo-terminal."""

from __future__ import annotations

import os
import pty
import select
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing

import pytest

from swathe_drivers.motion import StopGuard
from swathe_drivers.transport import PortSettings

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no port can be handed over")

STOP = b"\n!\n"
LIMIT = 0.3


class Line:
    """A port whose other end a test reads."""

    def __init__(self) -> None:
        self.machine, self.port = pty.openpty()
        import tty

        tty.setraw(self.port)
        os.set_blocking(self.port, False)

    def read_until(self, found: Callable[[bytes], bool]) -> bytes:
        """Return what comes until it is what was expected."""
        got = b""
        while not found(got):
            data = self.read(30)
            assert data, f"no more than {got!r}"
            got += data
        return got

    def fill(self) -> None:
        """Write commands until the port takes no more."""
        while True:
            os.write(self.port, b"G1 X400\n" * 64)

    def read(self, seconds: float) -> bytes:
        """Return what comes within so many seconds; at once when something does."""
        if select.select([self.machine], [], [], seconds)[0]:
            return os.read(self.machine, 4096)
        return b""

    def close(self) -> None:
        """Close both ends."""
        os.close(self.machine)
        os.close(self.port)


@pytest.fixture
def line() -> Iterator[Line]:
    """Return a port."""
    with closing(Line()) as made:
        yield made


@pytest.fixture
def guard(line: Line) -> Iterator[StopGuard]:
    """Return a started process that has the port."""
    made = StopGuard(LIMIT)
    made.start()
    made.give_port(line.port, STOP)
    yield made
    made.close()
    assert not made.alive


def until(condition: Callable[[], bool], what: str) -> None:
    """Wait for something that another process does."""
    limit = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < limit, what
        time.sleep(0.01)


def test_silence_while_it_may_move_stops_it(line: Line, guard: StopGuard) -> None:
    """The stop is on the line after the time, and what was done is reported with times."""
    begun = time.monotonic_ns()
    guard.beat(moves=True)
    assert line.read(30).startswith(STOP)
    came = time.monotonic_ns()
    assert came - begun >= LIMIT * 1e9
    reports = []
    until(lambda: reports.extend(guard.reports()) or bool(reports), "a report")  # type: ignore[func-returns-value]
    assert reports[0].problem == ""
    assert begun < (reports[0].sent or 0) <= time.monotonic_ns()
    assert reports[0].silent >= LIMIT * 1e9


def test_stop_is_repeated_until_a_sign_of_life(line: Line, guard: StopGuard) -> None:
    """A stop may be lost on the line."""
    guard.beat(moves=True)
    line.read_until(lambda got: got.count(STOP) >= 3)
    guard.beat(moves=False)
    time.sleep(0)
    while line.read(1.0):  # what was on its way
        pass
    assert line.read(3 * LIMIT) == b""


def test_signs_of_life_keep_it_quiet(line: Line, guard: StopGuard) -> None:
    """Nothing is sent while they come, nor at rest without them."""
    guard.beat(moves=False)
    assert line.read(3 * LIMIT) == b""
    end = time.monotonic() + 4 * LIMIT
    late = before = time.monotonic()
    longest = 0.0
    while late < end:
        guard.beat(moves=True)
        assert longest > LIMIT or line.read(0.02) == b""
        late = time.monotonic()
        longest, before = max(longest, late - before), late
    guard.beat(moves=False)


@pytest.mark.parametrize("moves", [True, False])
def test_end_of_the_daemon_stops_what_may_move(
    line: Line, guard: StopGuard, *, moves: bool
) -> None:
    """Closed in mid-move it sends stops and ends; closed at rest it only ends."""
    guard.beat(moves=moves)
    guard.close()
    assert not guard.alive
    assert (STOP in line.read(0.0)) is moves


def test_signals_of_the_terminal_leave_it_on_its_post(line: Line, guard: StopGuard) -> None:
    """Ctrl-C and a service's SIGTERM are the daemon's to handle."""
    assert guard.pid is not None
    guard.beat(moves=True)
    assert line.read(30)  # it has begun, and ignores them
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP):
        os.kill(guard.pid, number)
    assert line.read(30).startswith(STOP)
    assert os.getpgid(guard.pid) != os.getpgid(0)
    assert guard.alive


def test_pending_output_is_taken_back(line: Line, guard: StopGuard) -> None:
    """A long command in the port's buffer does not go before the stop."""
    with pytest.raises(BlockingIOError):
        line.fill()
    guard.beat(moves=True)
    assert len(line.read_until(lambda got: STOP in got)) < 100_000


def test_port_that_is_gone_is_reported(line: Line, guard: StopGuard) -> None:
    """Where no stop can be sent, the report says so, with the reason."""
    guard.take_port()
    guard.beat(moves=True)
    reports = []
    until(lambda: reports.extend(guard.reports()) or bool(reports), "a report")  # type: ignore[func-returns-value]
    assert reports[0].sent is None
    assert reports[0].problem == "it has no port"
    assert line.read(0.0) == b""


def test_port_is_closed_when_it_is_taken(guard: StopGuard) -> None:
    """A port that was lost can be opened again: its lock is not held by the other process."""
    one, other = socket.socketpair()
    with one:
        guard.give_port(other.fileno(), STOP)
        other.close()
        one.settimeout(30)
        guard.take_port()
        assert one.recv(10) == b""


def test_process_that_was_killed_is_noticed(guard: StopGuard) -> None:
    """And may be started again."""
    assert not guard.ended
    assert guard.pid is not None
    os.kill(guard.pid, signal.SIGKILL)
    until(lambda: guard.ended, "its end")
    guard.start()
    assert guard.alive
    assert not guard.ended


@pytest.mark.parametrize(
    ("url", "may"),
    [
        ("/dev/ttyUSB0", True),
        ("socket://10.0.0.7:4001", True),
        ("rfc2217://10.0.0.7:4001", False),
        ("capture:night.cap", False),
    ],
)
def test_ports_that_another_process_can_write_to(url: str, *, may: bool) -> None:
    """A descriptor that is a file or a stream; RFC 2217 is a conversation of its own."""
    assert PortSettings(url=url).may_be_shared is may
