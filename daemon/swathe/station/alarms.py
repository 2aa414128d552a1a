"""The alarms of a station file: their kinds, when each is raised, what a bell rings for."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import AfterValidator, Field

from swathe.station.table import StationTable
from swathe.units import Duration

__all__ = ["AlarmKind", "AlarmSettings", "SoundEvent"]


class AlarmKind(StrEnum):
    """What an alarm is about."""

    GAPS = "gaps open"
    COUPLING = "coupling lost"
    TOO_FAST = "too fast"
    THIN = "below alert"
    PORT = "port lost"
    CHECK_OVERDUE = "check overdue"
    CHECK_FAILED = "check failed"
    ENCODER = "encoder still"
    SLIP = "slip"
    CLOCK = "clock stopped"
    HELD = "values held"
    DELAY = "delay unknown"
    POSITION = "position lost"
    STANDSTILL = "standstill"
    PERIOD = "period differs"
    UNPLACED = "readings unplaced"
    SILENT = "device silent"
    ECHOLESS = "no echo"
    FLOOD = "device floods"
    DRIVER = "driver fails"
    DISK_FULL = "disk full"
    DISK_FAILS = "disk fails"
    DISK_STALLED = "disk stalled"
    HELD_UP = "daemon held up"
    CRAWLER = "crawler halted"
    CLOCK_NOT_SET = "clock not set"
    CLOCK_STEPPED = "clock stepped"
    WRONG_TOKENS = "wrong tokens"
    NAME_IN_USE = "name in use"
    FOREIGN_WRITER = "foreign writer"
    NO_PROBE = "input without probe"
    PROBE = "probe without echo"
    OFFSETS = "probe offsets"
    COPY = "copy behind"


class SoundEvent(StrEnum):
    """What the bell of a board rings for in addition to alarms."""

    GAP = "gap opened"
    PAUSED = "paused"


_SOUNDS = tuple(str(event) for event in (*AlarmKind, *SoundEvent))


def _sound(event: str) -> str:
    if event not in _SOUNDS:
        message = f"must be one of {', '.join(map(repr, _SOUNDS))}"
        raise ValueError(message)
    return event


class AlarmSettings(StationTable):
    """When an alarm is raised. `THIN` needs ``survey.alert_below``, too."""

    gaps: int = Field(1, ge=1, description="open gaps from which on there is an alarm")
    coupling_lost: Duration = Field(3_000_000_000, gt=0, description="without an echo, ns")
    too_fast: Duration = Field(500_000_000, ge=0, description="of scanning too fast, ns")
    port_lost: Duration = Field(2_000_000_000, ge=0, description="of a port that is not open, ns")
    silent: Duration | None = Field(
        None,
        gt=0,
        description="of a device that sends nothing while its port is open, ns; by default 3 s, or "
        "ten of its usual intervals if that is longer",
    )
    probe: Duration = Field(
        800_000_000, gt=0, description="of one probe without an echo while others have some, ns"
    )
    off: tuple[AlarmKind, ...] = Field((), description="kinds of which there is no alarm")
    sound: tuple[Annotated[str, AfterValidator(_sound)], ...] | None = Field(
        None, description="alarms and events for which a bell rings; all if None"
    )
