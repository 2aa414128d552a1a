"""A real server of object storage that speaks S3: a process of its own, which keeps objects on disk."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

__all__ = ["StorageServer", "storage_server"]

_PROGRAM = Path(__file__).parents[2] / ".tools/node_modules/s3rver/bin/s3rver.js"
_BUCKET = "surveys"
_ACCOUNT = "S3RVER"  # the one that it knows


class StorageServer:
    """The server on a port of its own, which may be stopped and started again.

    Args:
        folder: for its objects.
    """

    bucket = _BUCKET

    def __init__(self, folder: Path) -> None:
        node = shutil.which("node")
        if node is None or not _PROGRAM.is_file():
            message = "no s3rver; run `npm install --prefix .tools --no-save s3rver@3`"
            if os.environ.get("SWATHE_REQUIRE_ALL") == "1":
                pytest.fail(message)
            pytest.skip(message)
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = int(probe.getsockname()[1])
        self.url = f"http://127.0.0.1:{self.port}"
        self.environment = {
            "AWS_ACCESS_KEY_ID": _ACCOUNT,
            "AWS_SECRET_ACCESS_KEY": _ACCOUNT,
            "AWS_ENDPOINT_URL": self.url,
        }
        self._command = [
            *(node, str(_PROGRAM), "--directory", str(folder), "--address", "127.0.0.1"),
            *("--port", str(self.port), "--silent", "--configure-bucket", _BUCKET),
        ]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(self._command, stdout=subprocess.DEVNULL)
        end = time.monotonic() + 20
        while time.monotonic() < end:
            try:
                urllib.request.urlopen(f"{self.url}/{_BUCKET}", timeout=1).close()  # noqa: S310  http
            except urllib.error.HTTPError:
                return  # it answers: strangers are refused
            except OSError:
                time.sleep(0.02)
            else:
                return
        pytest.fail("the storage's server does not answer")

    def stop(self) -> None:
        """End it at once, as a lost machine would; its objects stay on disk."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def storage_server(folder: Path) -> StorageServer:
    """Return a server that answers; the caller stops it."""
    server = StorageServer(folder)
    server.start()
    return server
