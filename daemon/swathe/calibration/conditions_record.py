"""How a calibration was measured, as far as its record keeps it.

Block, probe, couplant, instrument and operator are in the record itself, since its first version;
here is what decides, with them, which point of which echo a time of flight belongs to. `conditions`
compares it with a station.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

__all__ = ["ConditionsRecord", "GaugeRecord"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class GaugeRecord(_Table):
    """The device that gave the readings, as the station file describes it."""

    sends: Literal["A-scans", "time of flight", "thickness"]
    driver: str
    protocol: dict[str, JsonValue] = Field(
        default_factory=dict, description="the driver's own settings, as in the station file"
    )
    sample_interval_us: float | None = Field(None, gt=0, description="of its A-scans")
    first_sample_us: float | None = Field(None, description="time of an A-scan's first sample")


class ConditionsRecord(_Table):
    """Gauge, evaluation of A-scans, cable and settings of the instrument."""

    gauge: GaugeRecord
    echo: dict[str, JsonValue] | None = Field(
        None,
        description="table [echo] of the station file with every default, in µs, MHz and %; null "
        "where the instrument itself measures and its gates are not known here",
    )
    instrument_settings: str = Field("", description="as the operator states them; may be empty")
    cable: str = Field("", description="between instrument and probe; may be empty")
