"""What the library and the system raise when a port misbehaves, and the messages for it."""

import errno
import os
import sys
from pathlib import Path
from typing import Final

import serial

from swathe_drivers.errors import PortError

if sys.platform == "win32":
    _SYSTEM_ERRORS: tuple[type[Exception], ...] = ()
else:
    import grp
    import termios

    _SYSTEM_ERRORS: tuple[type[Exception], ...] = (termios.error,)

PORT_ERRORS: Final[tuple[type[Exception], ...]] = (
    OSError,
    ValueError,
    NotImplementedError,
    PortError,
    *_SYSTEM_ERRORS,
)
"""All that opening, reading and writing a port may raise.

A pseudo-terminal without its other end raises `termios.error`, which is no OSError; an address
that can't be understood, ValueError; a setting that this kind of port lacks,
NotImplementedError. A `PortError` is in our own words already.
"""


_EXPLANATIONS: Final[tuple[tuple[tuple[int, ...], tuple[str, ...], str], ...]] = (
    (
        (errno.EBUSY, errno.EAGAIN),
        ("exclusively lock",),
        "is in use by another program; close that one",
    ),
    (
        (errno.ENOENT,),
        ("FileNotFoundError",),
        "does not exist; is the device plugged in and switched on?",
    ),
    (
        (errno.ENOTTY, errno.EINVAL, errno.EISDIR),
        ("Inappropriate ioctl", "Invalid argument"),
        "is not a serial port, or does not know these settings",
    ),
    (
        (errno.ECONNREFUSED,),
        ("Connection refused",),
        "nothing listens there; is the server running, is the number right?",
    ),
    (
        (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ETIMEDOUT),
        ("timed out", "No route to host", "Network is unreachable"),
        "can't be reached over the network; check address and cable",
    ),
    (
        (),
        ("Name or service not known", "name resolution", "getaddrinfo failed"),
        "has a host name that is not known; check its spelling",
    ),
    (
        (errno.ECONNRESET, errno.EPIPE),
        ("socket disconnected", "connection failed", "reset by peer", "Broken pipe"),
        "the other end closed the connection",
    ),
    (
        (errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF),
        ("readiness to read", "Input/output error", "No such device"),
        "is gone; was it unplugged or switched off?",
    ),
)
"""Error numbers, parts of the text where the library hides the number, and our words."""


def explain(url: str, error: BaseException) -> PortError:
    """The same failure with the remedy."""
    if isinstance(error, PortError):
        return error
    number = error.errno if isinstance(error, OSError) else None
    if number is None and error.args and isinstance(error.args[0], int):
        number = error.args[0]  # termios.error
    text = str(error)
    if isinstance(error, serial.SerialTimeoutException):
        return PortError(url, "takes no bytes; check flow control and the cable")
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
        return PortError(url, _explain_permission(url))
    for numbers, parts, words in _EXPLANATIONS:
        if number in numbers or any(part in text for part in parts):
            return PortError(url, words)
    return PortError(url, f"failed: {text or type(error).__name__}")


def _explain_permission(url: str) -> str:
    if sys.platform != "win32":
        try:
            group = grp.getgrgid(Path(url).stat().st_gid).gr_name
        except (OSError, KeyError):
            group = ""
        user = os.environ.get("USER", "")
        if group and group != "root":
            return (
                f"may only be opened by members of the group {group!r};"
                f" run 'sudo usermod -aG {group} {user or 'USER'}' and log in again"
            )
    return "may not be opened by this user, or is in use by another program"
