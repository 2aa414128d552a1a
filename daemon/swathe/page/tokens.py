"""The token of a page: where it comes from, and which ones are refused as too weak."""

from __future__ import annotations

import secrets
from itertools import pairwise

from swathe.credentials import secret
from swathe.errors import SwatheError
from swathe.station import PageSettings

__all__ = ["new_token", "page_token"]

_MIN_LENGTH = 16
_MIN_DISTINCT = 8
_RANDOM_BYTES = 18
_REMEDY = 'make one with: python3 -c "import secrets; print(secrets.token_urlsafe(18))"'


def new_token() -> str:
    """Return a token of 144 random bits."""
    return secrets.token_urlsafe(_RANDOM_BYTES)


def page_token(settings: PageSettings) -> str | None:
    """Return the token of the station file's environment variable; None if it names none.

    Raises:
        SwatheError: the variable is not set, or its token is easily guessed.
    """
    name = settings.token_variable
    if name is None:
        return None
    token = secret(name)
    if token is None:
        message = (
            f"'page.token_variable' names {name}, which is not set: put the page's token into that "
            "environment variable, or into the credential of that name"
        )
        raise SwatheError(message)
    if weakness := _weakness(token):
        message = f"the page's token in {name} {weakness}: it alone protects the page; {_REMEDY}"
        raise SwatheError(message)
    return token


def _weakness(token: str) -> str:
    """Return what a token must be and is not; empty for one that is hard to guess."""
    if len(token) < _MIN_LENGTH or not token.isascii() or not token.isprintable():
        return f"must be {_MIN_LENGTH} characters or more, ASCII and printable"
    if len(set(token)) < _MIN_DISTINCT:
        return f"must have {_MIN_DISTINCT} different characters or more"
    if token in (token + token)[1:-1]:
        return "must not be a text that repeats itself"
    if len({ord(b) - ord(a) for a, b in pairwise(token)}) == 1:
        return "must not be a row of the alphabet"
    return ""
