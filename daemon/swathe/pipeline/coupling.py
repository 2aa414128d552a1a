"""When the gauge last had an echo, and since when it ought to have one."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from swathe.pipeline.device import DeviceTally
from swathe.pipeline.pauses import Pauses

__all__ = ["Coupling"]


class Coupling:
    """Follows the echoes of one run."""

    def __init__(self) -> None:
        self._last: int | None = None

    def note(self, readings: NDArray[Any]) -> None:
        """Take note of readings, shape (n,), their times on the host's clock."""
        echoes = readings["time"][readings["valid"]]
        if echoes.size:
            self._last = max(int(echoes.max()), self._last or 0)

    def awaited_since(self, gauge: DeviceTally | None, pauses: Pauses) -> int | None:
        """Return since when an echo is awaited, host time in ns.

        It is the time of the last echo, or of the end of a pause after it; None before the first
        echo, in a pause, and while the gauge's port is gone, which is another trouble.
        """
        if self._last is None or pauses.active or gauge is None or gauge.state != "open":
            return None
        return max(self._last, pauses.last_end or 0)
