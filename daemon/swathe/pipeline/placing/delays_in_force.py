"""The delays that a run's readings and positions are placed with, and how they are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from swathe.station import AUTO, Station

__all__ = ["MeasuredDelay", "delays_in_force"]


@dataclass(frozen=True, slots=True)
class MeasuredDelay:
    """A delay that a survey has measured itself; times in ns.

    Attributes:
        delay: from the event to its first byte, more than the encoder's own; negative where the
            encoder's positions come later than the readings.
        low: lower end of its 95 % interval.
        high: upper end.
        pairs: of passes from which it was measured.
    """

    delay: int
    low: int
    high: int
    pairs: int

    @classmethod
    def of_mark(cls, detail: Mapping[str, Any]) -> MeasuredDelay:
        """Return the delay of a mark's detail."""
        return cls(*(int(detail[key]) for key in ("delay_ns", "low_ns", "high_ns", "pairs")))

    def as_detail(self, device: str) -> dict[str, Any]:
        """Return the detail of the mark."""
        return {
            "device": device,
            "delay_ns": self.delay,
            "low_ns": self.low,
            "high_ns": self.high,
            "pairs": self.pairs,
        }


def delays_in_force(station: Station, measured: Mapping[str, MeasuredDelay]) -> dict[str, int]:
    """Return the delay of each device, ns.

    Args:
        station: of the run.
        measured: by device; it applies where the station file says ``auto``.
    """
    return {
        name: measured[name].delay
        if device.delay == AUTO and name in measured
        else device.delay_given
        for name, device in station.device.items()
    }
