"""Who may see the page and who may command.

On a loopback address, without a token: whoever is on this machine sees the page, and commands come
from the page itself only, which the browser's own `Origin` header proves. On any other address, or
with a token: everything but the empty page asks for the token, which a viewer gives once for a
cookie, or a program with each request as `Authorization: Bearer`.

Another site in the same browser gets nowhere: a name that is not ours in `Host` is refused (DNS
rebinding: a foreign name that was made to point here), and so is any request that the browser says
comes from another site. A command needs our own origin, or the token in its header, which no other
site can send.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import os
import secrets
import socket
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers

from swathe.errors import SwatheError
from swathe.station import PageSettings

__all__ = ["HEADERS", "Access", "is_loopback"]

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
"""Headers of every answer."""

_SHORTEST_TOKEN = 16
_COOKIE_DAYS = 30
# What anybody may fetch: the page without any data, and the door.
_OPEN = ("/", "/session", "/favicon.ico")
_OPEN_FOLDER = "/static/"


def is_loopback(host: str) -> bool:
    """Return whether an address or a name means this machine only."""
    address = _address(host)
    return host.lower() == "localhost" or (address is not None and address.is_loopback)


class Access:
    """The rules for one page.

    Args:
        settings: of the page.
        port: on which it is served.

    Attributes:
        token: what opens the page; None when nothing is asked for.

    Raises:
        SwatheError: the token's environment variable is not set, or holds a token too short.
    """

    def __init__(self, settings: PageSettings, port: int) -> None:
        self._settings = settings
        self._local = is_loopback(settings.host)
        self.token = _token(settings)
        self.cookie = f"swathe-{port}"
        self._names = {name.lower() for name in settings.names} | {"localhost"}
        if not self._local:
            self._names |= {socket.gethostname().lower(), settings.host.lower()}

    def refusal(self, method: str, path: str, headers: Headers) -> tuple[int, str] | None:
        """Return status and reason why a request is refused; None if it may pass."""
        if method not in ("GET", "HEAD", "POST"):
            return 405, "GET, HEAD and POST only"
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_ours(hosts[0]):
            mend = "add it to page.names in the station file" if not self._local else ""
            return 421, f"the page does not go by this name {mend}".strip()
        if self._is_foreign(method, path, headers, hosts[0]):
            return 403, "requests from other sites are refused"
        if self.token is None or path in _OPEN or path.startswith(_OPEN_FOLDER):
            known = self.token is None
        elif self._knows_token(headers):
            known = True
        else:
            return 401, "the token is asked for: it was told where the station was started"
        if method == "POST":
            if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
                return 415, "commands are application/json"
            if headers.get("origin") is None and not (known and self._bears_token(headers)):
                return 403, "a command needs the page's own Origin, or the token as Bearer"
        return None

    def opens(self, token: str) -> str | None:
        """Return the Set-Cookie header that a viewer gets for the right token; None for another."""
        if self.token is None or not hmac.compare_digest(token.encode(), self.token.encode()):
            return None
        age = _COOKIE_DAYS * 86_400
        flags = f"Max-Age={age}; Path=/; HttpOnly; SameSite=Strict"
        return f"{self.cookie}={self._pass()}; {flags}"

    def _is_ours(self, host: str) -> bool:
        name = _name_of(host)
        address = _address(name)
        if address is not None:
            # An address cannot be made to point elsewhere as a name can.
            return address.is_loopback or not self._local
        return name in self._names

    def _is_foreign(self, method: str, path: str, headers: Headers, host: str) -> bool:
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in _origins(host.lower()):
            return True
        site = headers.get("sec-fetch-site", "none")
        # A link on another site may lead here; nothing else of it may.
        led = method == "GET" and path == "/" and headers.get("sec-fetch-mode") == "navigate"
        return site not in ("none", "same-origin") and not led

    def _knows_token(self, headers: Headers) -> bool:
        if self._bears_token(headers):
            return True
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return False
        return morsel is not None and hmac.compare_digest(
            morsel.value.encode(), self._pass().encode()
        )

    def _bears_token(self, headers: Headers) -> bool:
        kind, _, given = headers.get("authorization", "").partition(" ")
        return (
            self.token is not None
            and kind.lower() == "bearer"
            and hmac.compare_digest(given.strip().encode(), self.token.encode())
        )

    def _pass(self) -> str:
        """Return what the cookie holds: proof of the token, but not the token."""
        return hmac.digest((self.token or "").encode(), b"swathe page", hashlib.sha256).hex()


def _token(settings: PageSettings) -> str | None:
    name = settings.token_variable
    if name is None:
        return None if is_loopback(settings.host) else secrets.token_urlsafe(18)
    token = os.environ.get(name)
    if token is None:
        message = (
            f"'page.token_variable' names {name}, which is not set: put the page's token into that "
            "environment variable"
        )
        raise SwatheError(message)
    if len(token) < _SHORTEST_TOKEN or not token.isascii() or not token.isprintable():
        message = (
            f"the page's token in {name} must be {_SHORTEST_TOKEN} characters or more, ASCII and "
            "printable: it is all that stands before the page"
        )
        raise SwatheError(message)
    return token


def _name_of(host: str) -> str:
    """Return the name or address in a Host header, without the port."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].lower().rstrip(".")


def _address(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        return None


def _origins(host: str) -> Iterable[str]:
    """Return the origins that are this host's own; a proxy before us may speak TLS."""
    return (f"http://{host}", f"https://{host}")
