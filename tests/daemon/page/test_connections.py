"""Idle and slow connections: how many are held, which one makes room, and that STOP gets through."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Iterator
from http.client import HTTPConnection

import pytest
from starlette.types import Message

from support.daemon import wait_for
from support.idle import Idlers, timed_command
from support.page import PlayedSource, ServedPage
from swathe.page import lobby, protocol
from swathe.page.connections import (
    MAX_KNOWN,
    MAX_STRANGERS,
    MAX_STRANGERS_OF_PEER,
    ConnectionBudget,
    Lease,
    peer_of,
)
from swathe.page.mailbox import MAX_VIEWERS_OF_PEER, Mailbox
from swathe.page.stream import Events
from swathe.station import PageSettings

STOP = json.dumps({"command": "stop", "id": "s", "by": "crew"}).encode()
TOKEN = "four-cranes-over-the-weir"  # noqa: S105


class Connection:
    """Notes whether it was dropped."""

    def __init__(self) -> None:
        self.dropped = self.kept = False

    def drop(self) -> None:
        """Note it."""
        assert not self.dropped
        self.dropped = True

    def keep(self) -> None:
        """Note it."""
        self.kept = True


class Bench:
    """A budget and its connections, in the order of their opening."""

    def __init__(self) -> None:
        self.budget = ConnectionBudget()
        self.leases: list[tuple[Connection, Lease]] = []

    def open(self, peer: str, *, known: bool = False) -> Lease:
        """Open a connection; a known one has had an answer."""
        connection = Connection()
        lease = self.budget.admit(connection, peer)
        self.leases.append((connection, lease))
        if known:
            lease.set_busy(True)
            lease.set_known(True)
            lease.set_busy(False)
        return lease

    @property
    def dropped(self) -> list[int]:
        """Which of them were dropped."""
        return [k for k, (connection, _) in enumerate(self.leases) if connection.dropped]


def test_oldest_idle_stranger_of_the_peer_makes_room() -> None:
    """Whoever opens many displaces his own first; the new one is always accepted."""
    bench = Bench()
    bench.open("192.0.2.1")
    for _ in range(MAX_STRANGERS_OF_PEER):
        bench.open("192.0.2.9")
    assert bench.dropped == []
    bench.open("192.0.2.9")
    bench.open("192.0.2.9")
    assert bench.dropped == [1, 2]
    assert len(bench.budget) == MAX_STRANGERS_OF_PEER + 1


def test_oldest_idle_stranger_of_all_makes_room() -> None:
    """Many addresses displace the oldest one, and no viewer."""
    bench = Bench()
    bench.open("192.0.2.1", known=True)
    for k in range(MAX_STRANGERS + 3):
        bench.open(f"198.51.100.{k}")
    assert bench.dropped == [1, 2, 3]
    assert len(bench.budget) == MAX_STRANGERS + 1


def test_stranger_that_is_answered_is_closed_after_the_idle_ones() -> None:
    """And only where there is no idle one; what was closed is dropped once."""
    bench = Bench()
    for _ in range(MAX_STRANGERS_OF_PEER):
        bench.open("192.0.2.9").set_busy(True)
    bench.leases[5][1].set_busy(False)
    bench.open("192.0.2.9")
    assert bench.dropped == [5]
    bench.leases[5][1].set_busy(True)  # its answer ends after it was dropped
    bench.leases[-1][1].set_busy(True)
    bench.open("192.0.2.9")
    assert bench.dropped == [0, 5]
    assert len(bench.budget) == MAX_STRANGERS_OF_PEER


def test_viewers_connections_are_bounded_and_streams_are_kept() -> None:
    """Of too many known ones the one that is idle for longest is closed, never a stream."""
    bench = Bench()
    stream = bench.open("192.0.2.1")
    stream.set_busy(True)
    stream.set_known(True)
    stream.begin_stream()
    assert bench.leases[0][0].kept
    for _ in range(MAX_KNOWN):
        bench.open("192.0.2.1", known=True)
    assert bench.dropped == [1]
    assert len(bench.budget) == MAX_KNOWN
    for _, lease in bench.leases[2:]:
        lease.set_busy(True)  # now none is idle, and the stream is the oldest
    bench.open("192.0.2.1", known=True)
    assert bench.dropped == [1, 2]


def test_connection_that_no_longer_shows_its_right_is_a_strangers() -> None:
    """One connection of a proxy may carry requests of anyone."""
    bench = Bench()
    lease = bench.open("127.0.0.1", known=True)
    lease.set_known(False)
    for _ in range(MAX_STRANGERS_OF_PEER):
        bench.open("127.0.0.1")
    assert bench.dropped == [0]


def test_room_is_made_by_idle_strangers_only() -> None:
    """Those that have been idle for longest, as many as are asked for."""
    bench = Bench()
    bench.open("192.0.2.1", known=True)
    bench.open("192.0.2.2").set_busy(True)
    for k in range(3, 7):
        bench.open(f"192.0.2.{k}")
    assert bench.budget.make_room(3) == 3
    assert bench.dropped == [2, 3, 4]
    assert bench.budget.make_room(3) == 1
    assert bench.budget.make_room(3) == 0
    assert bench.dropped == [2, 3, 4, 5]
    assert len(bench.budget) == 2


def test_connection_that_has_shown_its_right_takes_no_strangers_place() -> None:
    """It is admitted among the known, whose number is bounded as well."""
    bench = Bench()
    for _ in range(MAX_STRANGERS_OF_PEER):
        bench.open("192.0.2.9")
    lease = bench.budget.admit(Connection(), "192.0.2.9", known=True)
    assert lease.known
    assert lease.busy
    assert bench.dropped == []
    lease.set_busy(False)
    for _ in range(MAX_KNOWN):
        bench.budget.admit(Connection(), "192.0.2.9", known=True)
    assert lease.connection.dropped  # type: ignore[attr-defined]
    assert len(bench.budget) == MAX_STRANGERS_OF_PEER + MAX_KNOWN


def test_closed_connections_leave_nothing_behind() -> None:
    """Of peers that have gone nothing is kept."""
    bench = Bench()
    for k in range(20):
        bench.open(f"192.0.2.{k}", known=k % 2 == 0)
    for _, lease in bench.leases:
        bench.budget.release(lease)
        bench.budget.release(lease)
    assert len(bench.budget) == 0
    assert not bench.budget._of_peer


@pytest.mark.parametrize(
    ("host", "peer"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        # Of one site: RFC 6177, and RFC 4291 on interface identifiers of 64 bits.
        ("2001:db8:1:2::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::9", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::1", "2001:db8:1:3::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::1"),
        ("", ""),
    ],
)
def test_peers(host: str, peer: str) -> None:
    """An IPv6 network is one peer."""
    assert peer_of(host) == peer


@pytest.fixture
def with_token(monkeypatch: pytest.MonkeyPatch) -> Iterator[ServedPage]:
    """Return a page that requires the token."""
    monkeypatch.setenv("PAGE_TOKEN", TOKEN)
    settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106  a variable's name
    with ServedPage(PlayedSource(), settings) as page:
        yield page


@pytest.mark.parametrize("first", [b"", b"POST /command HTTP/1.1\r\nHost: 127.0"])
def test_stop_is_answered_while_others_hold_idle_connections(
    with_token: ServedPage, first: bytes
) -> None:
    """From one and the same address; the viewer stays, and the idle ones are bounded."""
    viewer = with_token.view(Authorization=f"Bearer {TOKEN}")
    viewer.until(lambda name, _: name == "plan")
    kept = HTTPConnection("127.0.0.1", with_token.port, timeout=20)
    kept.request("GET", "/cell/0/0", headers={"Authorization": f"Bearer {TOKEN}"})
    assert kept.getresponse().read()
    with Idlers(with_token.port, 400, first) as idlers:
        timed_command(with_token.port, STOP, token=TOKEN)
        server = with_token.page._server
        assert server is not None
        budget = server.config.budget
        # The viewer's stream and the idle connection of a program with the token.
        assert with_token.call(lambda: sum(lease.known for lease in budget._known)) >= 2
        assert with_token.call(lambda: len(budget._strangers)) <= MAX_STRANGERS_OF_PEER
        assert idlers.open <= MAX_STRANGERS_OF_PEER
        timed_command(with_token.port, STOP, token=TOKEN)
        assert len(with_token.source.commands) == 2
        viewer.until(lambda name, _: name == "beat")
    kept.close()
    viewer.close()


def ended(connection: socket.socket) -> bool:
    """Return whether the other end has closed a connection; what it sent is read."""
    connection.settimeout(0.05)
    try:
        return connection.recv(65_536) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET / HT",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n",
    ],
)
def test_slow_client_is_closed_however_it_drips(
    monkeypatch: pytest.MonkeyPatch, sent: bytes
) -> None:
    """A byte now and then extends no deadline: not before, in or after a request."""
    monkeypatch.setattr(lobby, "_HEAD_SECONDS", 0.3)
    monkeypatch.setattr(protocol, "_HEADER_SECONDS", 0.3)
    monkeypatch.setattr(protocol, "_STRANGER_SECONDS", 0.3)
    monkeypatch.setattr(protocol, "KEEP_ALIVE_SECONDS", 0.3)
    monkeypatch.setattr(protocol, "_CLOSE_SECONDS", 0.3)
    with (
        ServedPage(PlayedSource()) as served,
        socket.create_connection(("127.0.0.1", served.port), timeout=20) as slow,
    ):
        slow.sendall(sent)

        def drip() -> bool:
            if ended(slow):
                return True
            try:
                if b"X: " in sent:
                    slow.sendall(b"a")
            except ConnectionError:
                return True
            return False

        wait_for(drip, 20, "the end of the connection")


def test_event_loop_that_watches_no_sockets(monkeypatch: pytest.MonkeyPatch) -> None:
    """As Windows' default one: the page is served without a lobby, within the same budget."""

    def refuse(*_: object) -> None:
        raise NotImplementedError

    monkeypatch.setattr(asyncio.SelectorEventLoop, "add_reader", refuse)
    with ServedPage(PlayedSource()) as served:
        timed_command(served.port, STOP)
        server = served.page._server
        assert server is not None
        assert server.servers
        with Idlers(served.port, MAX_STRANGERS_OF_PEER + 20) as idlers:
            wait_for(lambda: idlers.open <= MAX_STRANGERS_OF_PEER, 20, "room for others")
            timed_command(served.port, STOP)


def test_body_that_does_not_arrive(monkeypatch: pytest.MonkeyPatch, with_token: ServedPage) -> None:
    """The request is given up with its own status, RFC 9110 section 15.5.9."""
    monkeypatch.setattr("swathe.page.guard._BODY_SECONDS", 0.2)
    head = (
        f"POST /command HTTP/1.1\r\nHost: 127.0.0.1:{with_token.port}\r\n"
        f"Authorization: Bearer {TOKEN}\r\nContent-Type: application/json\r\n"
        "Content-Length: 50\r\n\r\n{"
    )
    with socket.create_connection(("127.0.0.1", with_token.port), timeout=20) as slow:
        slow.sendall(head.encode())
        assert slow.recv(65_536).startswith(b"HTTP/1.1 408 ")
        wait_for(lambda: ended(slow), 20, "the end of the connection")
    assert not with_token.source.commands


def test_bytes_without_end_are_not_read(with_token: ServedPage) -> None:
    """Not even those of a body that was announced."""
    with socket.create_connection(("127.0.0.1", with_token.port), timeout=20) as other:
        other.sendall(
            b"GET /nothing HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 999999999\r\n\r\n"
        )

        def pour() -> bool:
            try:
                other.sendall(b"0" * 16_384)
            except ConnectionError:
                return True
            return False

        wait_for(pour, 20, "the end of the connection")


async def test_viewers_of_one_address_are_bounded() -> None:
    """So one machine cannot take every place; all may come through a proxy on this machine."""
    closing = asyncio.Event()

    class Kept(Mailbox):
        async def take(self) -> bytes | None:
            await closing.wait()
            return None

    class Place:
        def __enter__(self) -> Mailbox:
            return Kept()

        def __exit__(self, *_: object) -> None:
            pass

    async def first() -> bytes:
        return b"first"

    statuses: list[int] = []

    async def view(host: str) -> None:
        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                statuses.append(message["status"])

        async def receive() -> Message:
            await closing.wait()
            return {"type": "http.disconnect"}

        await events({"type": "http", "client": (host, 1)}, receive, send)

    events = Events(Place, first)
    async with asyncio.TaskGroup() as tasks:
        for host, count in (
            ("192.0.2.9", MAX_VIEWERS_OF_PEER),
            ("192.0.2.8", 1),
            ("127.0.0.1", MAX_VIEWERS_OF_PEER + 1),
            ("::1", MAX_VIEWERS_OF_PEER + 1),
        ):
            for _ in range(count):
                tasks.create_task(view(host))
        for _ in range(20):
            await asyncio.sleep(0)
        assert len(statuses) == 3 * MAX_VIEWERS_OF_PEER + 3
        assert set(statuses) == {200}
        await view("192.0.2.9")
        assert statuses.pop() == 503
        closing.set()
    assert not events._of_peer
    await view("192.0.2.9")
    assert statuses.pop() == 200
