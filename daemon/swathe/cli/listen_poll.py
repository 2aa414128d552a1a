"""What ``swathe listen --poll`` sends: a request to a device that answers only."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe_drivers.description import Description

__all__ = ["polling"]

_EVERY = "50 ms"
_QUIET = "10 ms"
_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}


def polling(request: str) -> Description:
    r"""Return a description that says only what is sent.

    Args:
        request: text with escapes such as ``\r`` and ``\x05``, or ``hex:05 03``; perhaps with ``@ 40 ms`` behind.

    Raises:
        SwatheError: it cannot be sent.
    """
    from swathe_drivers.description import DescriptionError, parse_description

    text, _, every = request.rpartition(" @ ") if " @ " in request else (request, "", _EVERY)
    sent, pace = json.dumps(_unescaped(text)), json.dumps(every.strip())
    written = (
        f'[talk]\npoll = [{{ send = {sent}, every = {pace} }}]\nanswer = {{ quiet = "{_QUIET}" }}\n'
        '[protocol]\ncolumns = [{ is = "thickness", unit = "mm" }]\n'
    )
    try:
        return parse_description(written, "--poll")
    except DescriptionError as error:
        raise SwatheError(str(error)) from None


def _unescaped(text: str) -> str:
    """The text with its escapes replaced by what they stand for."""
    if text.startswith("hex:"):
        return text

    def one(found: re.Match[str]) -> str:
        code = found[1]
        return chr(int(code[1:], 16)) if code[0] == "x" else _ESCAPES[code]

    return re.sub(r"\\(x[0-9A-Fa-f]{2}|[rnt0\\])", one, text)
