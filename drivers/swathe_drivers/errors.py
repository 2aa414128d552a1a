"""Errors that this package raises.

    DriverError                 root: catch this to catch all of them
    ├── PortError               a port cannot be opened, read or written (unplugged, busy, refused)
    ├── CaptureError            a file is no capture, or can't be read or written
    ├── DescriptionError        a protocol description is wrong: carries all its problems
    ├── SettingsError           a setting is missing or contradicts another, before any port opens
    ├── LimitError              a move would pass a limit of the machine; no byte of it was made
    └── DriverUsageError        our own code misused an object (a second start, a write when closed)

The bytes of a peer are never an exception, however bad they are: a decoder counts
them as faults (see `swathe_drivers.records.Fault`) and continues with the next line.
"""

from collections.abc import Iterable
from typing import Final

UNKNOWN_KEY: Final = "must be left out: there is no such setting"
"""Requirement of a key that the settings do not know."""


class DriverError(Exception):
    """Root of all errors of this package."""


class PortError(DriverError):
    """A port cannot be opened, read or written.

    Attributes:
        port: the address of the port as the settings have it.
        reason: what went wrong and what to do about it, one sentence without the port.
    """

    def __init__(self, port: str, reason: str) -> None:
        super().__init__(port, reason)
        self.port = port
        self.reason = reason

    def __str__(self) -> str:
        return f"port {self.port}: {self.reason}"


class SettingsError(DriverError):
    """A setting does not meet its requirement; nothing has been opened yet.

    Attributes:
        key: dotted path of the setting, e.g. `device.gauge.line.columns`.
        requirement: what must hold, a phrase that follows the key (`must be > 0`).
        value: what was found there.
        others: further problems of the same settings, found in the same go.
    """

    def __init__(
        self,
        key: str,
        requirement: str,
        value: object,
        *,
        others: Iterable["SettingsError"] = (),
    ) -> None:
        super().__init__(key, requirement, value)
        self.key = key
        self.requirement = requirement
        self.value = value
        self.others = tuple(others)

    @property
    def is_unknown_key(self) -> bool:
        """The key is not known; other requirements are about the value of a known one."""
        return self.requirement == UNKNOWN_KEY

    def __str__(self) -> str:
        got = "" if self.value is None else f" (got {self.value!r})"
        first = f"{self.key!r} {self.requirement}{got}"
        return "\n".join([first, *(str(other) for other in self.others)])


class LimitError(DriverError):
    """A move would pass a limit of the machine; no byte of it was made.

    Attributes:
        axis: name of the axis.
        quantity: what passes the limit: `position`, `speed` or `acceleration`.
        value: what was asked for; mm, mm/s or mm/s².
        limit: what the settings allow, in the same unit.
    """

    _UNITS: Final = {"position": "mm", "speed": "mm/s", "acceleration": "mm/s²"}

    def __init__(self, axis: str, quantity: str, value: float, limit: float) -> None:
        super().__init__(axis, quantity, value, limit)
        self.axis = axis
        self.quantity = quantity
        self.value = value
        self.limit = limit

    def __str__(self) -> str:
        unit = self._UNITS[self.quantity]
        return (
            f"{self.quantity} of axis {self.axis!r} must stay within the limit of"
            f" {self.limit:g} {unit} (got {self.value:g} {unit}); correct the move or the settings"
        )


class DriverUsageError(DriverError):
    """Code called an object in a way it does not allow; a mistake in the caller, not in the peer."""
