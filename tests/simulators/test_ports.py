"""Real pseudo terminals and TCP ports."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from swathe_simulators.ports import PtyPort, TcpPort


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[PtyPort]:
    """Return an open pty port."""
    port = PtyPort(tmp_path / "gauge")
    port.open()
    yield port
    port.close()


def opened(path: str) -> int:
    """Open a pty to read it, without waiting."""
    return os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)


def test_pty_nobody_listens_discards(pty: PtyPort) -> None:
    """What is written while the slave is closed is never read by who opens it later."""
    assert not pty.service()
    assert pty.write(b"lost") == 0
    reader = opened(pty.address)
    try:
        assert pty.service()
        assert pty.write(b"heard\r\n\x11\x13\xff") == 10
        assert os.read(reader, 100) == b"heard\r\n\x11\x13\xff"
    finally:
        os.close(reader)
    assert not pty.service()
    assert pty.write(b"lost") == 0


def test_pty_unread_rest_is_forgotten(pty: PtyPort) -> None:
    """A new listener reads nothing of what the last one left."""
    reader = opened(pty.address)
    pty.service()
    pty.write(b"left over")
    os.close(reader)
    assert not pty.service()
    reader = opened(pty.address)
    try:
        with pytest.raises(BlockingIOError):
            os.read(reader, 100)
    finally:
        os.close(reader)


def test_pty_full_buffer_never_blocks(pty: PtyPort) -> None:
    """A listener that does not read makes writes short, not slow."""
    reader = opened(pty.address)
    try:
        taken = sum(pty.write(b"x" * 1000) for _ in range(1000))
        assert 0 < taken < 1_000_000
        got = 0
        while True:
            try:
                got += len(os.read(reader, 65536))
            except BlockingIOError:
                break
        assert got == taken
    finally:
        os.close(reader)


def test_pty_bytes_to_the_device_are_swallowed(pty: PtyPort) -> None:
    """What a daemon writes to the device neither comes back nor fills the port."""
    reader = opened(pty.address)
    try:
        for _ in range(50):
            os.write(reader, b"y" * 500)
            pty.service()
        with pytest.raises(BlockingIOError):
            os.read(reader, 100)
    finally:
        os.close(reader)


def test_pty_close_removes_symlink_and_is_idempotent(tmp_path: Path) -> None:
    """After close the symlink is gone; a second close, or one before open, does nothing."""
    port = PtyPort(tmp_path / "gauge")
    port.close()
    port.open()
    assert (tmp_path / "gauge").is_symlink()
    port.close()
    port.close()
    assert list(tmp_path.iterdir()) == []
    assert port.write(b"x") == 0


def test_pty_open_replaces_stale_symlink_only(tmp_path: Path) -> None:
    """A symlink from an earlier run is replaced, a real file is refused."""
    (tmp_path / "gauge").symlink_to("/nowhere")
    port = PtyPort(tmp_path / "gauge")
    port.open()
    port.close()
    (tmp_path / "gauge").write_text("precious")
    with pytest.raises(FileExistsError, match="choose another folder"):
        port.open()
    assert (tmp_path / "gauge").read_text() == "precious"


def serviced(port: TcpPort, *, listened: bool) -> None:
    """Service a port until it has, or has no, listener."""
    limit = time.monotonic() + 10
    while port.service() is not listened:
        assert time.monotonic() < limit
        time.sleep(0.01)


def test_tcp_every_client_gets_the_bytes() -> None:
    """Two clients read the same; one that went away is dropped; the port comes again."""
    port = TcpPort("127.0.0.1", 0)
    port.open()
    try:
        number = int(port.address.rpartition(":")[2])
        assert port.address == f"socket://127.0.0.1:{number}"
        assert not port.service()
        with (
            socket.create_connection(("127.0.0.1", number), timeout=10) as one,
            socket.create_connection(("127.0.0.1", number), timeout=10) as two,
        ):
            serviced(port, listened=True)
            port.service()
            assert port.write(b"line\r\n") == 6
            assert one.recv(100) == two.recv(100) == b"line\r\n"
            port.close()
            assert one.recv(100) == b""
            assert port.write(b"lost") == 0
        port.open()
        assert int(port.address.rpartition(":")[2]) == number
        with socket.create_connection(("127.0.0.1", number), timeout=10):
            serviced(port, listened=True)
        serviced(port, listened=False)
    finally:
        port.close()


def test_tcp_taken_port_names_address() -> None:
    """A port that is taken is named, with the way out."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
        port = TcpPort("127.0.0.1", number)
        with pytest.raises(OSError, match=f"127.0.0.1:{number}.*choose another port, or 0"):
            port.open()
