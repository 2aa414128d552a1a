"""Where the page's new connections wait until the head of their first request has arrived.

Accepting a connection here costs some hundredths of a millisecond; what answers requests costs ten times
that to set up, so it is set up only for a connection that has sent a request's head. So a storm of
connections, opened faster than requests can be answered, does not make others wait behind it: the queue
of the kernel stays short, the budget closes those of the storm, and a request that shows the right to what
it asks for is answered at once. The others take turns, one in each round of the event loop.

Before a head has arrived nothing distinguishes a connection from those of a storm. One that the budget
closes is read once more, so that no request is lost that has arrived by then; a request that takes longer
to arrive than its own address takes to open `MAX_STRANGERS_OF_PEER` more connections is closed with them.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
from collections import deque
from typing import Protocol

from starlette.datastructures import Headers

from swathe.page.connections import ConnectionBudget, Lease, peer_of

__all__ = ["Lobby", "Reception", "request_head"]

_log = logging.getLogger(__name__)

# (The numbers are our choice, no source.)
_HEAD_SECONDS = 10.0
_SWEEP_SECONDS = 1.0
# In one round of the loop: what else it has to do, above all to read the ports, gets its turn in
# between, however many are opened.
_ACCEPTED_AT_ONCE = 64
# A longer head is refused by whoever reads it then.
_HEAD_BYTES = 16_384
# Where the system has no file left for a connection, so many idle ones of strangers are closed: the rest of
# the daemon needs files, too. Where there are none, asyncio waits as long as this.
_ROOM = 8
_NO_FILE_SECONDS = 1.0
# Below it no request begins (RFC 9112, 3): what comes is refused without waiting for the rest.
_FIRST_OF_TOKENS = 0x21


class Reception(Protocol):
    """What serves the connections."""

    def is_first(self, method: str, path: str, headers: Headers) -> bool:
        """Return whether a request shows the right to what it asks for, and is served first."""
        ...

    def protocol(self, lease: Lease, first: bytes) -> asyncio.Protocol:
        """Return what answers a connection, which has received `first` already."""
        ...


class Lobby:
    """Accepts a listener's connections; close it before the listener.

    Args:
        listener: the listening socket, which does not block.
        budget: admits them.
        reception: serves them.

    Raises:
        NotImplementedError: the event loop watches no sockets (Windows' default one).
    """

    def __init__(
        self, listener: socket.socket, budget: ConnectionBudget, reception: Reception
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._listener = listener
        self._budget = budget
        self._reception = reception
        self._guests: dict[_Guest, None] = {}  # in the order of their arrival
        self._strangers: deque[_Guest] = deque()
        self._tasks: set[asyncio.Task[object]] = set()
        self._timers: dict[str, asyncio.Handle] = {}
        self._loop.add_reader(listener, self._accept)

    def __len__(self) -> int:
        """Return how many wait."""
        return len(self._guests)

    def close(self) -> None:
        """Accept no more, and close those that wait."""
        self._loop.remove_reader(self._listener)
        for timer in self._timers.values():
            timer.cancel()
        for guest in list(self._guests):
            self._close(guest)
        for task in self._tasks:
            task.cancel()

    def displace(self, guest: _Guest) -> None:
        """Close a connection whose place was taken, but not if a request of the first has arrived."""
        if not guest.lease.busy and self._receive(guest) and self._is_first(guest):
            self._loop.remove_reader(guest.connection)
            guest.lease = self._budget.admit(guest, guest.lease.peer, known=True)
            self._serve(guest)
        else:
            self._close(guest)

    def _accept(self) -> None:
        """Accept those that wait in the kernel, up to a number."""
        for _ in range(_ACCEPTED_AT_ONCE):
            try:
                connection, address = self._listener.accept()
            except (BlockingIOError, InterruptedError, ConnectionAbortedError):
                break
            except OSError as error:
                self._find_room(error)
                break
            connection.setblocking(False)
            guest = _Guest(self, connection, self._loop.time() + _HEAD_SECONDS)
            self._guests[guest] = None
            guest.lease = self._budget.admit(guest, peer_of(str(address[0])))
            # Most requests are there by now: then nothing has to be registered for them.
            if self._receive(guest):
                self._announce(guest)
            elif guest in self._guests:
                self._loop.add_reader(connection, self._on_readable, guest)
        if self._guests and "sweep" not in self._timers:
            self._timers["sweep"] = self._loop.call_later(_SWEEP_SECONDS, self._sweep)

    def _find_room(self, error: OSError) -> None:
        """Close some connections where there are no files left; otherwise wait."""
        _log.warning("a connection to the page cannot be accepted: %s", error)
        if error.errno in (errno.EMFILE, errno.ENFILE) and self._budget.make_room(_ROOM):
            return
        self._loop.remove_reader(self._listener)
        self._timers["accept"] = self._loop.call_later(
            _NO_FILE_SECONDS, self._loop.add_reader, self._listener, self._accept
        )

    def _on_readable(self, guest: _Guest) -> None:
        if self._receive(guest):
            self._loop.remove_reader(guest.connection)
            self._announce(guest)

    def _receive(self, guest: _Guest) -> bool:
        """Read what has come; return whether it is to be served. One that has ended is closed."""
        try:
            data = guest.connection.recv(_HEAD_BYTES)
        except (BlockingIOError, InterruptedError):
            return False
        except OSError:
            data = b""
        if not data:
            self._close(guest)
            return False
        # The end of the head may be cut in two.
        begin = max(0, len(guest.received) - 3)
        guest.received += data
        return (
            guest.received[0] < _FIRST_OF_TOKENS
            or len(guest.received) >= _HEAD_BYTES
            or guest.received.find(b"\n\r\n", begin) >= 0
            or guest.received.find(b"\n\n", begin) >= 0
        )

    def _is_first(self, guest: _Guest) -> bool:
        request = request_head(bytes(guest.received))
        return request is not None and self._reception.is_first(*request)

    def _announce(self, guest: _Guest) -> None:
        """Let a connection that has sent a head be served: at once, or when its turn comes."""
        is_first = self._is_first(guest)
        guest.lease.set_busy(True)
        guest.lease.set_known(is_first)
        if is_first:
            self._serve(guest)
            return
        self._strangers.append(guest)
        if len(self._strangers) == 1:
            self._timers["turn"] = self._loop.call_soon(self._serve_next)

    def _serve_next(self) -> None:
        """Serve the stranger whose turn it is, and the next one in the next round."""
        while self._strangers:
            guest = self._strangers.popleft()
            if guest in self._guests:
                self._serve(guest)
                break
        if self._strangers:
            self._timers["turn"] = self._loop.call_soon(self._serve_next)

    def _serve(self, guest: _Guest) -> None:
        del self._guests[guest]
        protocol = self._reception.protocol(guest.lease, bytes(guest.received))
        coming = self._loop.connect_accepted_socket(lambda: protocol, guest.connection)
        task: asyncio.Task[object] = self._loop.create_task(coming, name="page.connection")
        self._tasks.add(task)

        def end(done: asyncio.Task[object]) -> None:
            self._tasks.discard(done)
            if done.cancelled() or done.exception() is not None:
                # Nothing else may have got hold of it.
                guest.connection.close()
                self._budget.release(guest.lease)

        task.add_done_callback(end)

    def _sweep(self) -> None:
        """Close those that have waited too long."""
        now = self._loop.time()
        for guest in list(self._guests):
            if guest.deadline > now:
                break
            self._close(guest)
        del self._timers["sweep"]
        if self._guests:
            self._timers["sweep"] = self._loop.call_later(_SWEEP_SECONDS, self._sweep)

    def _close(self, guest: _Guest) -> None:
        """Close a connection that has not been closed yet, and free its place."""
        if guest in self._guests:
            del self._guests[guest]
            self._loop.remove_reader(guest.connection)
            guest.connection.close()
            self._budget.release(guest.lease)


class _Guest:
    """A connection whose first request's head has not arrived yet, or waits for its turn."""

    __slots__ = ("_lobby", "connection", "deadline", "lease", "received")

    lease: Lease

    def __init__(self, lobby: Lobby, connection: socket.socket, deadline: float) -> None:
        self._lobby = lobby
        self.connection = connection
        self.deadline = deadline
        self.received = bytearray()

    def drop(self) -> None:
        """Make room."""
        self._lobby.displace(self)

    def keep(self) -> None:
        """Do nothing: it is not being answered yet."""


def request_head(head: bytes) -> tuple[str, str, Headers] | None:
    """Return method, path and headers of a request; None where it is none that a browser sends.

    Only the order of the connections depends on it: what reads the request to answer it reads it again.

    Args:
        head: the first bytes of a connection, with the empty line after the headers.
    """
    first, *lines = head.partition(b"\r\n\r\n")[0].split(b"\r\n")
    words = first.split(b" ")
    if len(words) != 3:
        return None
    pairs = [line.partition(b":") for line in lines]
    raw = [(name.lower(), value.strip(b" \t")) for name, colon, value in pairs if colon]
    path = words[1].partition(b"?")[0]
    with contextlib.suppress(UnicodeDecodeError):
        return words[0].decode("ascii"), path.decode("ascii"), Headers(raw=raw)
    return None
