"""Debian's mosquitto as an outside broker and an outside witness."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

__all__ = ["Broker", "Witness", "require"]

# Debian keeps servers where a user's PATH does not look.
_PLACES = "/usr/sbin:/usr/local/sbin"


def require(program: str, package: str) -> str:
    """Return the path of a program, or skip (fail under CI) naming Debian's package of it."""
    found = shutil.which(program) or shutil.which(program, path=_PLACES)
    if found is None:
        message = f"no {program}; install Debian's package `{package}`"
        if os.environ.get("SWATHE_REQUIRE_ALL") == "1":
            pytest.fail(message)
        pytest.skip(message)
    return found


class Broker:
    """A real broker on a port of its own, which may be stopped and started again.

    Args:
        folder: for its settings.
        settings: lines of its configuration, instead of ``allow_anonymous true``.
    """

    def __init__(self, folder: Path, *settings: str) -> None:
        self._program = require("mosquitto", "mosquitto")
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = int(probe.getsockname()[1])
        self._settings = folder / "broker.conf"
        self.log = folder / "broker.log"
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence false",
            f"log_dest file {self.log}",
            "log_type all",
            # Started as root it would give up its rights, and with them the test's own files.
            "user root",
            *(settings or ("allow_anonymous true",)),
        ]
        self._settings.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._settings)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        limit = time.monotonic() + 20
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                if time.monotonic() > limit:
                    self.stop()
                    raise
                time.sleep(0.05)

    @property
    def pid(self) -> int:
        """Its process, such as to stop it by SIGSTOP."""
        assert self._process is not None
        return self._process.pid

    def stop(self) -> None:
        """End it; idempotent."""
        if self._process is not None:
            self._process.terminate()
            self._process.send_signal(signal.SIGCONT)  # a test may have stopped it
            self._process.wait(20)
            self._process = None


class Witness:
    """A plain ``mosquitto_sub`` that writes down what the broker says, topic and payload."""

    def __init__(self, port: int, *topics: str, options: tuple[str, ...] = ()) -> None:
        program = require("mosquitto_sub", "mosquitto-clients")
        arguments = [
            program,
            "-h",
            "127.0.0.1",
            "-p",
            str(port),
            "-V",
            "mqttv311",
            "-F",
            "%r %t %p",
        ]
        arguments += options
        for topic in topics:
            arguments += ["-t", topic]
        # A file, as a pipe that nobody reads is full after 64 kB and then holds the subscriber up.
        self._heard = tempfile.TemporaryFile()  # noqa: SIM115  closed in close
        self._process = subprocess.Popen(arguments, stdout=self._heard, stderr=subprocess.PIPE)

    def heard(self) -> bytes:
        """Return what came so far, a line for each message: 1 or 0 (retained), topic, payload."""
        # Not a read: the subscriber writes at the position of the same open file.
        return os.pread(self._heard.fileno(), os.fstat(self._heard.fileno()).st_size, 0)

    def close(self) -> list[tuple[bool, str, bytes]]:
        """End it; return (came as retained, topic, payload) of each message; idempotent."""
        if self._process.returncode is not None:
            return []
        self._process.terminate()
        _, errors = self._process.communicate(timeout=20)
        assert not errors.strip(), errors
        with self._heard as file:
            file.seek(0)
            output = file.read()
        heard = []
        for line in output.splitlines():
            retained, topic, payload = line.split(b" ", 2)
            heard.append((retained == b"1", topic.decode(), payload))
        return heard
