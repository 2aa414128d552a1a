"""A cable that can be muted: it stays plugged in at both ends and carries nothing."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = ["Relay"]


class Relay:
    """Carries the bytes of a pseudo-terminal to a TCP port; a context manager.

    Args:
        source: the pseudo-terminal.

    Attributes:
        muted_at: monotonic time at which it was muted, ns; None while it was not.
    """

    def __init__(self, source: Path) -> None:
        self._source = os.open(source, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._source)
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.1)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)
        self.muted_at: int | None = None

    @property
    def url(self) -> str:
        """The port's address."""
        return f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def mute(self) -> None:
        """Carry nothing any more."""
        self.muted_at = time.monotonic_ns()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        self._thread.join()
        self._server.close()
        os.close(self._source)

    def _run(self) -> None:
        peer: socket.socket | None = None
        while not self._over.is_set():
            if peer is None:
                with contextlib.suppress(TimeoutError):
                    peer, _ = self._server.accept()
                continue
            ready, _, _ = select.select([self._source], [], [], 0.05)
            if not ready:
                continue
            data = os.read(self._source, 4096)
            if self.muted_at is None:
                with contextlib.suppress(OSError):
                    peer.sendall(data)
        if peer is not None:
            peer.close()
