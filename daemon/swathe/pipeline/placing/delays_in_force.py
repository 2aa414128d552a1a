"""The delays that a run's readings and positions are placed with, and how they are known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from swathe.pipeline.placing.delay import DelayEstimate
from swathe.pipeline.placing.place_uncertainty import StatedUncertainty
from swathe.station import AUTO, DelaySetting, Station, decoder_of, delay_pairs, gauge_of

__all__ = [
    "EstimatedDelay",
    "MeasuredDelay",
    "delay_uncertainty",
    "delays_in_force",
    "encoder_delay",
    "far_end",
]

# A 95 % interval of a normal distribution is so many standard deviations wide.
_INTERVAL_DEVIATIONS = 2 * 1.959964


@dataclass(frozen=True, slots=True)
class MeasuredDelay:
    """A delay that a survey has measured itself; times in ns.

    Attributes:
        delay: of the gauge less that of the scan axis's encoder, from the event to the first byte;
            negative where the encoder's positions come later than the readings.
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


@dataclass(frozen=True, slots=True)
class EstimatedDelay:
    """What a survey shows of a delay so far; times in ns.

    Attributes:
        delay: as that of `MeasuredDelay`.
        low: lower end of its 95 % interval; None where there is no limit.
        high: upper end; None likewise.
        pairs: of passes that were compared.
        reason: why it is not sure; empty where it is.
        needs: what it takes to be sure; empty where it is.
    """

    delay: int
    low: int | None
    high: int | None
    pairs: int
    reason: str = ""
    needs: str = ""

    @classmethod
    def of(cls, estimate: DelayEstimate, in_force: int) -> EstimatedDelay:
        """Return an estimate with the difference of delays in force added, ns.

        Args:
            estimate: in addition to what is in force.
            in_force: delay of the gauge less that of the encoder, as they are applied.
        """
        low, high = estimate.low, estimate.high
        return cls(
            delay=in_force + round(estimate.delay),
            low=in_force + math.floor(low) if math.isfinite(low) else None,
            high=in_force + math.ceil(high) if math.isfinite(high) else None,
            pairs=estimate.pairs,
            reason=estimate.reason,
            needs=estimate.needs,
        )

    @classmethod
    def of_mark(cls, detail: Mapping[str, Any]) -> EstimatedDelay:
        """Return the estimate of a mark's detail; that of a measured delay as well."""
        return cls(
            delay=int(detail["delay_ns"]),
            low=detail["low_ns"],
            high=detail["high_ns"],
            pairs=int(detail["pairs"]),
            reason=str(detail.get("reason", "")),
            needs=str(detail.get("needs", "")),
        )

    def as_detail(self, device: str) -> dict[str, Any]:
        """Return the detail of the mark."""
        return {
            "device": device,
            "delay_ns": self.delay,
            "low_ns": self.low,
            "high_ns": self.high,
            "pairs": self.pairs,
            "reason": self.reason,
            "needs": self.needs,
        }


def delays_in_force(station: Station, measured: Mapping[str, MeasuredDelay]) -> dict[str, int]:
    """Return the delay of each device, ns.

    Args:
        station: of the run.
        measured: by device; it applies where the station file says ``auto``.
    """
    return {
        name: measured[name].delay + encoder_delay(station)
        if device.delay == AUTO and name in measured
        else device.delay_given
        for name, device in station.device.items()
    }


def encoder_delay(station: Station) -> int:
    """Return the delay of the scan axis's encoder, ns, from which a measured one counts."""
    encoder = station.scan.device
    return 0 if encoder is None else station.device[encoder].delay_given


def delay_uncertainty(station: Station, measured: Mapping[str, MeasuredDelay]) -> StatedUncertainty:
    """Return the standard uncertainty of the delay between gauge and scan encoder, ns.

    Args:
        station: of the run.
        measured: by device; it applies where the station file says ``auto``.
    """
    pairs = delay_pairs(station)
    if not pairs:
        decoder = decoder_of(station.device[gauge_of(station)])
        if decoder.combined or decoder.has_clock or not decoder.gives_positions:
            return StatedUncertainty(0.0, "readings bring their own position")
        # Records of the same device, and nothing says that they are of the same moment.
        return StatedUncertainty(None, "unknown: the device sends position and reading apart")
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


def far_end(estimate: EstimatedDelay | None, in_force: int) -> float:
    """Return how far the delay in force may be from the true one, ns; infinite while unknown.

    Args:
        estimate: what is known of the delay.
        in_force: delay of the gauge less that of the encoder, as they are applied, ns.
    """
    if estimate is None or estimate.low is None or estimate.high is None:
        return math.inf
    return float(max(abs(estimate.low - in_force), abs(estimate.high - in_force)))
