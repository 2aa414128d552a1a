"""The end of a connection to a broker, such that the broker takes the last packets.

A client that closes its socket right after DISCONNECT loses it where answers of the broker are still
on their way: to data for a socket that is closed, TCP answers with a reset, and the sender of the
reset has discarded what it had not sent yet (RFC 1122, 4.2.2.13). The broker then misses DISCONNECT and
publishes the last will. Whoever wants the last packets to arrive reads on until the other end closes.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket

import aiomqtt

__all__ = ["Farewell"]

_CHUNK_BYTES = 65_536


class Farewell:
    """Keeps a client's connection open beyond the client's own close, and reads it to its end.

    Args:
        client: the client, still connected or not.
    """

    def __init__(self, client: aiomqtt.Client) -> None:
        # aiomqtt does not pass its client's socket on; paho does.
        own = client._client.socket()
        self._socket: socket.socket | None = None
        if isinstance(own, socket.socket) and own.fileno() >= 0:
            # A connection ends when the last of its descriptors is closed; this is one more.
            self._socket = socket.fromfd(own.fileno(), own.family, own.type)
            self._socket.setblocking(False)

    async def taken(self, seconds: float) -> bool:
        """Read until the broker closes, and close; return whether it did within some seconds.

        A broker closes once it has read DISCONNECT (MQTT 3.1.1, 3.14.4; MQTT 5, 3.14.4). Call it
        once the client has sent DISCONNECT and has closed its own descriptor.

        Args:
            seconds: to wait in the worst case.
        """
        if self._socket is None:
            return False
        loop = asyncio.get_running_loop()
        with self._socket as connection, contextlib.suppress(TimeoutError, OSError):
            async with asyncio.timeout(seconds):
                while await loop.sock_recv(connection, _CHUNK_BYTES):
                    pass
                return True
        return False
