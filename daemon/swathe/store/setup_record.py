"""What was set up for a survey, as its record has it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime

__all__ = ["GatesRecord", "SensitivityRecord"]


class SensitivityRecord(Snapshot):
    """A check of the sensitivity by a reference echo."""

    time: UtcTime
    by: str
    measured: Annotated[float, Digits(1)] = Field(
        description="height of the echo, % of full screen height"
    )
    reference: float = Field(description="height that it is set to, % of full screen height")
    deviation: Annotated[float, Digits(2)] = Field(description="20 log10(measured / reference), dB")
    tolerance: float = Field(description="greatest deviation that passes, dB")
    spread: Annotated[float, Digits(2)] = Field(
        description="from the lowest to the highest of its readings, dB"
    )
    readings: int
    passed: bool
    block: str = Field(description="that gave the echo; empty where none is named")
    step: float | None = Field(description="of the block, mm; null where none is named")
    probe: str = Field("", description="the probe that was on it; empty for the only one")
    before_run: bool = Field(description="made in the set-up view, before the run")


class GatesRecord(Snapshot):
    """Gates that were changed in the set-up view before a run."""

    time: UtcTime
    by: str
    changes: tuple[str, ...] = Field(description="each key with its value before and after")
