"""The delays that a run's readings and positions are placed with, and how they are known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from swathe.pipeline.placing.place_uncertainty import StatedUncertainty
from swathe.station import AUTO, DelaySetting, Station, delay_pairs

__all__ = ["MeasuredDelay", "delay_uncertainty", "delays_in_force"]

# A 95 % interval of a normal distribution is so many standard deviations wide.
_INTERVAL_DEVIATIONS = 2 * 1.959964


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


def delay_uncertainty(station: Station, measured: Mapping[str, MeasuredDelay]) -> StatedUncertainty:
    """Return the standard uncertainty of the delay between gauge and scan encoder, ns.

    Args:
        station: of the run.
        measured: by device; it applies where the station file says ``auto``.
    """
    pairs = delay_pairs(station)
    if not pairs:
        return StatedUncertainty(0.0, "readings bring their own position")
    pair = pairs[0]
    if pair.setting is DelaySetting.UNKNOWN:
        return StatedUncertainty(None, "unknown: no delay is given")
    if pair.setting is DelaySetting.AUTO:
        if (found := measured.get(pair.gauge)) is None:
            return StatedUncertainty(None, "unknown: not measured yet")
        width = found.high - found.low
        return StatedUncertainty(width / _INTERVAL_DEVIATIONS, "measured by the survey")
    given = [station.device[name].delay_uncertainty for name in (pair.gauge, pair.encoder)]
    if None in given:
        return StatedUncertainty(None, "not stated: delay_uncertainty is not given")
    value = math.hypot(*(one for one in given if one is not None))
    return StatedUncertainty(value, "station file")
