"""A process of its own that stops a machine when the one that commands it cannot."""

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["StopGuard", "StopReport"]

_SCRIPT: Final = Path(__file__).with_name("stop_process.py")
_BEAT_NS: Final = 20_000_000
_END_SECONDS: Final = 5.0


@dataclass(frozen=True, slots=True)
class StopReport:
    """What the process did.

    Attributes:
        sent: time at which it sent the stop, ns of the monotonic clock; None if it could not.
        silent: for how long there had been no sign of life, ns.
        problem: why it could not send it.
    """

    sent: int | None
    silent: int = 0
    problem: str = ""


class StopGuard:
    """Starts the process, gives it the port, and sends signs of life; see `stop_process`.

    The process sees whether this one still takes its turns: not whether a thread of it does, but
    whether whoever calls `beat` does, be it that the interpreter's lock is held, that the process is
    stopped or killed.

    Methods may be called from any thread, and never wait but for `close`.

    Args:
        seconds: without a call of `beat` after which the process stops the machine.
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._sent = 0
        self._moves = False
        self._text = b""

    @staticmethod
    def available() -> bool:
        """Return whether this system can hand a port to another process."""
        return os.name == "posix" and hasattr(socket, "send_fds")

    @property
    def ended(self) -> bool:
        """Whether the process was started and is there no more."""
        return self._process is not None and self._process.poll() is not None

    @property
    def alive(self) -> bool:
        """Whether the process is there."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int | None:
        """Of the process; None before it was started."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the process; harmless when it is there.

        Raises:
            OSError: the system starts none.
        """
        if self.alive:
            return
        self.close()
        ours, theirs = socket.socketpair()
        try:
            # Isolated: whatever the environment says, only the standard library is imported.
            command = [sys.executable, "-I", "-S", str(_SCRIPT), f"{self._seconds:.3f}"]
            self._process = subprocess.Popen(  # noqa: S603
                command, stdin=theirs.fileno(), stdout=subprocess.DEVNULL, start_new_session=True
            )
        except OSError:
            ours.close()
            raise
        finally:
            theirs.close()
        ours.setblocking(False)
        with self._lock:
            self._control, self._sent, self._moves = ours, 0, False

    def give_port(self, descriptor: int, stop: bytes) -> None:
        """Give the process a port, and the bytes that stop the machine there.

        Args:
            descriptor: of the open port; it stays the caller's.
            stop: harmless behind any part of any command.
        """
        with self._lock:
            if self._control is not None:
                with contextlib.suppress(OSError):
                    socket.send_fds(self._control, [b"P %s\n" % stop.hex().encode()], [descriptor])

    def take_port(self) -> None:
        """Have the process close the port: it is lost, or is about to be closed."""
        with self._lock:
            if self._control is not None:
                with contextlib.suppress(OSError):
                    self._control.send(b"C\n")

    def beat(self, *, moves: bool) -> None:
        """Give a sign of life.

        Args:
            moves: whether the machine may move; without motion none is expected any more.
        """
        with self._lock:
            now = time.monotonic_ns()
            if self._control is None or (moves == self._moves and now - self._sent < _BEAT_NS):
                return
            self._moves, self._sent = moves, now
            with contextlib.suppress(OSError):
                self._control.send(b"M\n" if moves else b"R\n")

    def reports(self) -> list[StopReport]:
        """Return what the process did since the last call."""
        with self._lock:
            if self._control is None:
                return []
            data = b""
            with contextlib.suppress(OSError):
                data = self._control.recv(65_536)
            *lines, self._text = (self._text + data).split(b"\n")
        return [_report(line.decode(errors="replace")) for line in lines]

    def close(self) -> None:
        """End the process; it sends no stop if the last sign of life was one at rest."""
        with self._lock:
            control, self._control = self._control, None
        if control is not None:
            control.close()
        if self._process is not None:
            try:
                self._process.wait(_END_SECONDS)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None


def _report(line: str) -> StopReport:
    kind, _, rest = line.partition(" ")
    if kind == "S":
        sent, silent = rest.split()
        return StopReport(int(sent), int(silent))
    return StopReport(None, problem=rest)
