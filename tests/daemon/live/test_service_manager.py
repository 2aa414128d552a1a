"""What a service manager is sent: checked against sd_notify(3), over real datagram sockets."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from swathe.live.service_manager import ServiceManager


class Manager:
    """A datagram socket that notes what comes."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)

    def received(self) -> list[str]:
        """Return the datagrams since the last call."""
        found = []
        while True:
            try:
                found.append(self._socket.recv(65_536).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        """Close it."""
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    """Return a service manager at a path, and one in the abstract namespace."""
    address = str(tmp_path / "notify")
    made = Manager(address if request.param == "path" else f"@swathe-test-{os.getpid()}")
    yield made
    made.close()


def test_course_of_a_service(manager: Manager) -> None:
    """Ready, status, signs of life at a quarter of the interval, and the first reason of the end."""
    now = 0.0
    run = ServiceManager(manager.address, 20.0, clock=lambda: now)
    run.ready("bench: begun")
    assert manager.received() == ["READY=1\nSTATUS=bench: begun"]
    counts = []
    for k in range(200):  # twenty seconds
        now = k / 10
        run.alive()
        counts += manager.received()
    assert counts == ["WATCHDOG=1"] * 4
    texts = iter(("1 %", "1 %", "2 %"))
    for time in (100.0, 101.0, 106.0, 112.0):
        now = time
        run.show(lambda: next(texts))
    assert manager.received() == ["STATUS=1 %", "STATUS=2 %"]
    run.stopping("terminated")
    run.stopping("again")
    assert manager.received() == ["STOPPING=1\nSTATUS=ending: terminated"]
    run.close()
    run.ready("too late")
    assert manager.received() == []


def test_text_makes_no_line_of_its_own(manager: Manager) -> None:
    """A reason from outside cannot send another variable."""
    run = ServiceManager(manager.address)
    run.stopping("by crew\nMAINPID=1\x1b[2J")
    (sent,) = manager.received()
    assert [line.partition("=")[0] for line in sent.split("\n")] == ["STOPPING", "STATUS"]
    assert "\x1b" not in sent
    run.close()


def test_environment_is_taken_once(manager: Manager) -> None:
    """What the run starts must not speak in its name; the watchdog is meant for one process only."""
    variables = {"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": "8000000", "A": "b"}
    run = ServiceManager.of_environment(variables)
    run.alive()
    assert manager.received() == ["WATCHDOG=1"]
    assert variables == {"A": "b"}
    run.close()
    for changed in (
        {"WATCHDOG_USEC": "8000000", "WATCHDOG_PID": "1"},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {},
    ):
        run = ServiceManager.of_environment({"NOTIFY_SOCKET": manager.address, **changed})
        run.alive()
        assert manager.received() == []
        run.ready("bench")
        assert len(manager.received()) == 1
        run.close()
    own = {"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": "1", "WATCHDOG_PID": str(os.getpid())}
    run = ServiceManager.of_environment(own)
    run.alive()
    assert manager.received() == ["WATCHDOG=1"]
    run.close()


def test_manager_that_has_gone_or_is_full_holds_nothing_up(manager: Manager) -> None:
    """A run never waits for it."""
    run = ServiceManager(manager.address, 0.0)
    for _ in range(5000):
        run.alive()
    manager.close()
    run.ready("bench")
    run.close()


def test_without_a_manager_nothing_is_sent() -> None:
    """Nothing is computed for it either."""
    run = ServiceManager.of_environment({})
    run.ready("bench")
    run.alive()
    run.show(lambda: pytest.fail("nobody reads it"))
    run.stopping("terminated")
    run.close()
