"""How many connections the page holds, and which one is closed for a new one.

A new connection is always accepted, so that whoever holds the token has room to stop the station.
What makes room is the connection that has been idle for longest among the strangers: those whose last
request showed no right to see the page, and those that have sent no request. They are bounded per peer
and in total, and never displace the connection of a viewer. Streams of events are never closed for
another connection; their number is bounded by `MAX_VIEWERS`.

(The numbers are our choice, no source.)
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from typing import Protocol

from swathe.page.mailbox import MAX_VIEWERS

__all__ = [
    "LEASE",
    "MAX_KNOWN",
    "MAX_STRANGERS",
    "MAX_STRANGERS_OF_PEER",
    "ConnectionBudget",
    "Lease",
    "peer_of",
]

LEASE = "swathe.lease"
"""Key of a request's scope with the `Lease` of its connection."""

MAX_STRANGERS_OF_PEER = 96
"""Maximum number of strangers' connections from one address."""

MAX_STRANGERS = 256
"""Maximum number of strangers' connections."""

# In addition to its stream a viewer's browser may open five connections for tiles.
MAX_KNOWN = 6 * MAX_VIEWERS
"""Maximum number of connections of viewers and of programs with the token."""

_IPV6_NETWORK_BITS = 64


class Held(Protocol):
    """A connection, as the budget acts on it."""

    def drop(self) -> None:
        """Close it at once, without waiting for what was not sent yet."""
        ...

    def keep(self) -> None:
        """Let the answer that it is giving take as long as it takes."""
        ...


class Lease:
    """The place of one connection in the budget.

    Attributes:
        peer: whose connection it is.
        known: whether its last request showed the right to see the page.
        busy: whether a request is being answered.
        streams: whether that is a stream of events.
    """

    __slots__ = ("_budget", "busy", "connection", "known", "peer", "streams")

    def __init__(self, budget: ConnectionBudget, connection: Held, peer: str) -> None:
        self._budget = budget
        self.connection = connection
        self.peer = peer
        self.known = self.busy = self.streams = False

    def set_known(self, known: bool) -> None:
        """Take note whether the request showed the right to see the page."""
        self._budget.move(self, known=known)

    def begin_stream(self) -> None:
        """Take note that the answer is a stream of events."""
        self.streams = True
        self.connection.keep()

    def set_busy(self, busy: bool) -> None:
        """Take note whether a request is being answered; it is the newest one of its kind then."""
        self.busy, self.streams = busy, False
        self._budget.move(self, known=self.known)


class ConnectionBudget:
    """Admits connections, and closes others for them."""

    def __init__(self) -> None:
        # In the order in which they did something; a dict keeps it.
        self._strangers: dict[Lease, None] = {}
        self._known: dict[Lease, None] = {}
        self._of_peer: Counter[str] = Counter()

    def __len__(self) -> int:
        """Return the number of connections."""
        return len(self._strangers) + len(self._known)

    def admit(self, connection: Held, peer: str, *, known: bool = False) -> Lease:
        """Return the place of a new connection.

        Args:
            connection: the new one.
            peer: as of `peer_of`.
            known: whether it has shown the right to see the page already.
        """
        lease = Lease(self, connection, peer)
        if known:
            lease.known = lease.busy = True
            self._add_known(lease)
        else:
            self._add_stranger(lease)
        return lease

    def make_room(self, count: int) -> int:
        """Drop idle connections of strangers, those first that have been idle for longest.

        Returns:
            How many were dropped: at most `count`.
        """
        idle = [lease for lease in self._strangers if not lease.busy][:count]
        for lease in idle:
            self._drop(lease)
        return len(idle)

    def release(self, lease: Lease) -> None:
        """Free the place of a connection that was closed; it may have been freed already."""
        if lease in self._known:
            del self._known[lease]
        elif lease in self._strangers:
            del self._strangers[lease]
            self._of_peer[lease.peer] -= 1
            if not self._of_peer[lease.peer]:
                del self._of_peer[lease.peer]

    def move(self, lease: Lease, *, known: bool) -> None:
        """Let a connection be the newest one of the known, or of the strangers."""
        if lease not in self._known and lease not in self._strangers:
            return  # dropped meanwhile
        self.release(lease)
        lease.known = known
        if known:
            self._add_known(lease)
        else:
            self._add_stranger(lease)

    def _add_known(self, lease: Lease) -> None:
        if len(self._known) >= MAX_KNOWN:
            self._drop(_first(self._known))
        self._known[lease] = None

    def _add_stranger(self, lease: Lease) -> None:
        if self._of_peer[lease.peer] >= MAX_STRANGERS_OF_PEER:
            self._drop(_first(self._strangers, lease.peer))
        elif len(self._strangers) >= MAX_STRANGERS:
            self._drop(_first(self._strangers))
        self._strangers[lease] = None
        self._of_peer[lease.peer] += 1

    def _drop(self, lease: Lease | None) -> None:
        if lease is not None:
            self.release(lease)
            lease.connection.drop()


def peer_of(host: str) -> str:
    """Return whose connections are counted together: an IPv4 address, or an IPv6 network of 64 bits.

    Whoever has an IPv6 network has all of its addresses (RFC 6177).

    Args:
        host: address of the other end; any other text is its own peer.
    """
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv6Address) and not address.is_loopback:
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, _IPV6_NETWORK_BITS), strict=False))
    return str(address)


def _first(leases: dict[Lease, None], peer: str | None = None) -> Lease | None:
    """Return the connection that is closed first: idle for longest, else busy for longest."""
    busy = None
    for lease in leases:
        if peer is None or lease.peer == peer:
            if not lease.busy:
                return lease
            if busy is None and not lease.streams:
                busy = lease
    return busy
