"""What a station file says of alarms: which there are, and how long something must last."""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from swathe.station.table import Table
from swathe.units import Duration

__all__ = ["AlarmKind", "AlarmSettings"]


class AlarmKind(StrEnum):
    """What an alarm is about."""

    GAPS = "gaps open"
    COUPLING = "coupling lost"
    TOO_FAST = "too fast"
    THIN = "below alert"
    PORT = "port gone"
    CHECK_OVERDUE = "check overdue"
    CHECK_FAILED = "check failed"


class AlarmSettings(Table):
    """When an alarm is raised. `THIN` needs ``survey.alert_below`` beside."""

    gaps: int = Field(1, ge=1, description="open gaps from which on there is an alarm")
    coupling_lost: Duration = Field(3_000_000_000, gt=0, description="without an echo, ns")
    too_fast: Duration = Field(500_000_000, ge=0, description="of scanning too fast, ns")
    port_gone: Duration = Field(2_000_000_000, ge=0, description="of a port that is not open, ns")
    off: tuple[AlarmKind, ...] = Field((), description="kinds of which there is no alarm")
