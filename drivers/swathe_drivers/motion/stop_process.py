"""The process that stops a machine when the daemon cannot: run as a script, see `StopProcess`.

It shares no interpreter with the daemon, imports nothing but a few modules of the standard library,
and holds a duplicate of the port's descriptor. On its standard input, a Unix socket, it receives
lines:

- ``P HEX``: stop with these bytes from now on, at the descriptor that comes with the line;
- ``C``: close the port;
- ``M``: a sign of life while the machine may move;
- ``R``: nothing moves; signs of life may stay away.

It writes the stop when no line has come for the time in its first argument (seconds) after an ``M``,
or when the other end is gone after one. What it did is written back: ``S SENT SILENT``, both in ns of
the monotonic clock, or ``E REASON`` where the port took nothing. It ends with the other end.
"""

import array
import os
import select
import signal
import socket
import sys
import time

# So often the stop is repeated while there is no sign of life; a machine that rests ignores it.
_AGAIN = 0.1
_MOST_STOPS = 20
_WRITE_SECONDS = 1.0


class _Guard:
    def __init__(self, control: socket.socket, limit: float) -> None:
        self._control = control
        self._limit = limit
        self._port = -1
        self._stop = b""
        self._moves = False
        self._last = time.monotonic()
        self._stops = 0
        self._text = b""

    def run(self) -> None:
        """Guard until the other end is gone."""
        while True:
            wait = None
            if self._moves:
                due = self._last + self._limit + self._stops * _AGAIN
                wait = max(due - time.monotonic(), 0.0) if self._stops < _MOST_STOPS else None
            if select.select([self._control], [], [], wait)[0]:
                if not self._receive():
                    break
            elif self._moves:
                self._write_stop()
        while self._moves and self._stops < _MOST_STOPS:
            self._write_stop()
            time.sleep(_AGAIN)

    def _receive(self) -> bool:
        """Take what came; return False at the end."""
        room = socket.CMSG_SPACE(4 * array.array("i").itemsize)
        try:
            data, extra, _, _ = self._control.recvmsg(65_536, room)
        except InterruptedError:
            return True
        except OSError:
            return False
        if not data:
            return False
        descriptors = array.array("i")
        for level, kind, body in extra:
            if (level, kind) == (socket.SOL_SOCKET, socket.SCM_RIGHTS):
                descriptors.frombytes(body[: len(body) - len(body) % descriptors.itemsize])
        *lines, self._text = (self._text + data).split(b"\n")
        for line in lines:
            if line.startswith(b"P "):
                if self._port >= 0:
                    os.close(self._port)
                self._port = descriptors.pop(0) if descriptors else -1
                self._stop = bytes.fromhex(line[2:].decode())
            elif line == b"C":
                if self._port >= 0:
                    os.close(self._port)
                self._port = -1
            else:
                self._moves = line == b"M"
        self._last, self._stops = time.monotonic(), 0
        return True

    def _write_stop(self) -> None:
        silent = time.monotonic() - self._last
        self._stops += 1
        try:
            self._push()
        except OSError as error:
            self._report(f"E {error.strerror or error}")
        else:
            self._report(f"S {time.monotonic_ns()} {round(silent * 1e9)}")

    def _push(self) -> None:
        if self._port < 0:
            raise OSError(0, "it has no port")
        self._discard()
        rest, end = self._stop, time.monotonic() + _WRITE_SECONDS
        while rest:
            if not select.select([], [self._port], [], max(end - time.monotonic(), 0.0))[1]:
                raise OSError(0, "the port takes no bytes, not even a stop")
            try:
                rest = rest[os.write(self._port, rest) :]
            except BlockingIOError:
                continue

    def _discard(self) -> None:
        """Take back what is not on the line yet; a stream has nothing that can be taken back."""
        if os.isatty(self._port):
            import termios

            termios.tcflush(self._port, termios.TCOFLUSH)

    def _report(self, text: str) -> None:
        try:
            self._control.send(f"{text}\n".encode(), socket.MSG_DONTWAIT)
        except OSError:
            return  # nobody is there, or nobody reads


def _main() -> None:
    # Signals of a terminal and of a service are the daemon's; this process ends with it.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP", "SIGPIPE", "SIGQUIT"):
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    with socket.socket(fileno=os.dup(0)) as control:
        control.setblocking(True)
        _Guard(control, float(sys.argv[1])).run()


if __name__ == "__main__":
    _main()
