"""An MQTT broker inside the daemon, for first steps: loopback only, MQTT 3.1.1."""

from __future__ import annotations

import logging
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from swathe.errors import SwatheError

__all__ = ["embedded_broker", "free_port"]

_log = logging.getLogger(__name__)

_LOOPBACK = "127.0.0.1"


def free_port() -> int:
    """Return a TCP port of the loopback interface that is free at the moment."""
    with socket.socket() as probe:
        probe.bind((_LOOPBACK, 0))
        return int(probe.getsockname()[1])


@asynccontextmanager
async def embedded_broker(port: int) -> AsyncIterator[int]:
    """Run a broker on the loopback interface; yields its port (a free one for port 0).

    Everybody on this machine may connect. For other machines run a separate broker with
    passwords and TLS, and name it in the station file.

    Raises:
        SwatheError: the port is in use; name another, or the broker that uses it.
    """
    # Imported here: most stations use a broker of their own, and the ports open first.
    from amqtt.broker import Broker

    port = port or free_port()
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"{_LOOPBACK}:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
        },
    }
    # It logs every connection; the daemon's own log has what matters.
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    broker = Broker(config)
    try:
        await broker.start()
    except Exception as error:
        message = f"the embedded broker cannot use port {port}: {error}; name another broker.port"
        raise SwatheError(message) from error
    try:
        yield port
    finally:
        try:
            await broker.shutdown()
        except Exception:  # noqa: BLE001  at the survey's end, which no broker changes
            _log.exception("the embedded broker did not end in good order")
