"""Who may see the page and who may command.

On a loopback address without a token, whoever is on this machine sees the page, and commands come
from the page itself only, which the browser's own `Origin` header proves. On any other address, or
with a token, everything but the empty page requires the token, which a viewer exchanges once for a
cookie, and a program sends with each request as `Authorization: Bearer`.

Another site in the same browser has no access: a foreign name in `Host` is refused (DNS rebinding: a
foreign name that resolves to this address), and so is any request that the browser marks as coming
from another site. A command needs the page's own origin, or the token in its header, which no other
site can send.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import socket
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

from swathe.page.tokens import new_token, page_token
from swathe.page.wrong_tokens import WrongTokens
from swathe.station import PageSettings

if TYPE_CHECKING:
    from starlette.datastructures import Headers

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

_COOKIE_DAYS = 30
# Open without the token: the page without any data, and the login.
_OPEN = ("/", "/setup", "/session", "/favicon.ico")
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
        token: required to open the page; None when none is required.
        cookie: name of the cookie that shows it.
        wrong: the guesses of it.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """

    def __init__(self, settings: PageSettings, port: int) -> None:
        self._settings = settings
        self._local = is_loopback(settings.host)
        self.token = page_token(settings)
        if self.token is None and not self._local:
            self.token = new_token()
        self.cookie = f"swathe-{port}"
        self.wrong = WrongTokens()
        self._names = {name.lower() for name in settings.names} | {"localhost"}
        if not self._local:
            self._names |= {socket.gethostname().lower(), settings.host.lower()}

    def refusal(self, method: str, path: str, headers: Headers) -> tuple[int, str] | None:
        """Return status and reason why a request is refused; None if it may pass."""
        if method not in ("GET", "HEAD", "POST"):
            return 405, "GET, HEAD and POST only"
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_own(hosts[0]):
            remedy = "" if self._local else ": add it to page.names in the station file"
            return 421, f"the page is not served under this name{remedy}"
        if self._is_foreign(method, path, headers, hosts[0]):
            return 403, "requests from other sites are refused"
        known = self.knows(headers)
        if not known and not self.is_open(path):
            return 401, "the token is required: it is printed where the station was started"
        if method == "POST":
            if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
                return 415, "commands are application/json"
            if headers.get("origin") is None and not self._has_bearer_token(headers):
                return 403, "a command needs the page's own Origin, or the token as Bearer"
        return None

    def is_first(self, method: str, path: str, headers: Headers) -> bool:
        """Return whether a request is served before others: it shows the token, and may pass.

        Where no token is required, which shows nothing, commands are.
        """
        return (
            (self.token is not None or method == "POST")
            and self.knows(headers)
            and self.refusal(method, path, headers) is None
        )

    def is_open(self, path: str) -> bool:
        """Return whether anyone gets what is at a path, with or without the token."""
        return path in _OPEN or path.startswith(_OPEN_FOLDER)

    def login(self, token: str) -> str | None:
        """Return the Set-Cookie header for the right token; None for a wrong one."""
        if not self._is_token(token):
            return None
        age = _COOKIE_DAYS * 86_400
        flags = f"Max-Age={age}; Path=/; HttpOnly; SameSite=Strict"
        return f"{self.cookie}={self._pass()}; {flags}"

    def _is_own(self, host: str) -> bool:
        name = _name_of(host)
        address = _address(name)
        if address is not None:
            # Unlike a name, an address cannot resolve to another one.
            return address.is_loopback or not self._local
        return name in self._names

    def _is_foreign(self, method: str, path: str, headers: Headers, host: str) -> bool:
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in _origins(host.lower()):
            return True
        site = headers.get("sec-fetch-site", "none")
        # Another site may link to the page, and nothing else.
        linked = (
            method == "GET"
            and path in ("/", "/setup")
            and headers.get("sec-fetch-mode") == "navigate"
        )
        return site not in ("none", "same-origin") and not linked

    def knows(self, headers: Headers) -> bool:
        """Return whether a request shows the right to see the page; anyone has where no token is."""
        if self.token is None or self._has_bearer_token(headers):
            return True
        given = self._cookie(headers)
        return given is not None and _is_same(given, self._pass())

    def guess(self, headers: Headers) -> str:
        """Return what a request of no known viewer tries: ``token``, ``cookie`` or nothing."""
        if _bearer(headers) is not None:
            return "token"
        return "" if self._cookie(headers) is None else "cookie"

    def _cookie(self, headers: Headers) -> str | None:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return None
        return None if morsel is None else morsel.value

    def _has_bearer_token(self, headers: Headers) -> bool:
        given = _bearer(headers)
        return given is not None and self._is_token(given)

    def _is_token(self, given: str) -> bool:
        return self.token is not None and _is_same(given, self.token)

    def _pass(self) -> str:
        """Return the cookie's value: it proves the token without containing it."""
        return hmac.digest((self.token or "").encode(), b"swathe page", hashlib.sha256).hex()


def _bearer(headers: Headers) -> str | None:
    """Return the token of a request's header, right or wrong."""
    kind, _, given = headers.get("authorization", "").partition(" ")
    return given.strip() if kind.lower() == "bearer" else None


def _is_same(given: str, right: str) -> bool:
    """Compare secrets in a time that depends neither on where they differ nor on their lengths."""
    # A JSON text may have half of a surrogate pair, which UTF-8 has not.
    digests = [hashlib.sha256(x.encode("utf-8", "surrogatepass")).digest() for x in (given, right)]
    return hmac.compare_digest(*digests)


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
    """Return the origins of this host; a proxy in front of it may use TLS."""
    return (f"http://{host}", f"https://{host}")
