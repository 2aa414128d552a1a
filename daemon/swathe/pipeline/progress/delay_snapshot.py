"""The delay that is applied to a gauge, how it is known, and what it means in mm."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from swathe.display_units import DisplayUnits
from swathe.pipeline.placing.delays_in_force import (
    EstimatedDelay,
    MeasuredDelay,
    delays_in_force,
    encoder_delay,
    far_end,
)
from swathe.pipeline.progress.fields import Digits, Snapshot, number_text
from swathe.station import DelaySetting, Station, delay_pairs

__all__ = ["DelaySnapshot", "delay_snapshots"]


class DelaySnapshot(Snapshot):
    """The delay between a gauge and the encoder that places its readings, and how it is known."""

    applied_ms: Annotated[float, Digits(3)] = Field(
        description="subtracted from the gauge's times, ms"
    )
    known: Literal["given", "measured", "unknown"] = Field(
        description="by the station file, by the survey itself, or not at all"
    )
    automatic: bool = Field(description="whether the survey measures it")
    low_ms: Annotated[float | None, Digits(2)] = Field(
        description="lower end of the 95 % interval that the survey shows, ms; null for no limit"
    )
    high_ms: Annotated[float | None, Digits(2)] = Field(
        description="upper end of the 95 % interval that the survey shows, ms; null for no limit"
    )
    pairs: int = Field(description="pairs of passes of which the interval is")
    speed: Annotated[float | None, Digits(0)] = Field(
        description="usual speed along the scan axis, mm/s; null while unknown"
    )
    displacement: Annotated[float | None, Digits(2)] = Field(
        description="by how much readings may be off at that speed, by the far end of the interval, "
        "mm; null where there is no limit"
    )
    needs: str = Field(description="what it takes to be sure; empty where it is")
    text: str = Field(description="all of this in words")


def delay_snapshots(
    station: Station,
    measured: Mapping[str, MeasuredDelay],
    estimated: Mapping[str, EstimatedDelay],
    speed: float,
) -> dict[str, DelaySnapshot]:
    """Return what is known of the gauge's delay, by its name; empty where no delay matters.

    Args:
        station: of the run.
        measured: by device, as they are applied.
        estimated: by device, what the survey shows until now.
        speed: usual speed along the scan axis, mm/s; 0 while unknown.
    """
    pairs = delay_pairs(station)
    if not pairs:
        return {}
    gauge, setting = pairs[0].gauge, pairs[0].setting
    applied, encoder = delays_in_force(station, measured)[gauge], encoder_delay(station)
    estimate = None if setting is DelaySetting.GIVEN else estimated.get(gauge)
    far = far_end(estimate, applied - encoder) / 1e9
    automatic = setting is DelaySetting.AUTO
    known: Literal["given", "measured", "unknown"] = "unknown"
    if setting is DelaySetting.GIVEN:
        known = "given"
    elif automatic and gauge in measured:
        known = "measured"
    snapshot = DelaySnapshot(
        applied_ms=applied / 1e6,
        known=known,
        automatic=automatic,
        low_ms=None if estimate is None else _ms(estimate.low, encoder),
        high_ms=None if estimate is None else _ms(estimate.high, encoder),
        pairs=0 if estimate is None else estimate.pairs,
        speed=speed or None,
        displacement=far * speed if speed and math.isfinite(far) else None,
        needs="" if estimate is None else estimate.needs,
        text="",
    )
    return {gauge: snapshot.model_copy(update={"text": _text(gauge, snapshot, station.display)})}


def _ms(difference: int | None, encoder: int) -> float | None:
    """Return a difference of delays as a delay of the gauge, ms."""
    return None if difference is None else (difference + encoder) / 1e6


def _text(device: str, delay: DelaySnapshot, units: DisplayUnits) -> str:
    """Return the delay of a gauge and how it is known, in a line."""
    applied = f"{delay.applied_ms:g} ms"
    if delay.known == "given":
        return f"delay of {device}: {applied}, given"
    interval = ""
    if delay.low_ms is not None and delay.high_ms is not None:
        interval = f" ({delay.low_ms:.2f} to {delay.high_ms:.2f} ms, 95 %)"
    if delay.known == "measured":
        return f"delay of {device}: {applied}, measured in this survey{interval}"
    why = "not measured yet" if delay.automatic else "unknown"
    effect = ""
    if delay.speed is not None:
        speed = f"{units.number(delay.speed, 0)} {units.speed_name}"
        effect = f", each 10 ms is {units.with_unit(units.number(delay.speed / 100, 2))} at {speed}"
        if delay.displacement is not None:
            far = units.with_unit(number_text(delay, "displacement", units))
            effect = f", readings off by up to {far} at {speed}"
    return f"delay of {device}: {why}{interval}, {applied} applied{effect}"
