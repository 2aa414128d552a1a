"""What Swathe says of a check of the calibration."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import AwareDatetime, Field

from swathe.messages.base import Message, Model, finite, moment
from swathe.pipeline import Check, CheckPhase, CheckStep

__all__ = ["CheckMessage", "StepFound"]


class StepFound(Model):
    """A step of the block, as a check of the calibration read it."""

    thickness: float = Field(description="of the step, mm")
    found: float | None = Field(description="mean of the readings, mm; null without an echo")
    deviation: float | None = Field(description="found less thickness, mm")
    spread: float | None = Field(description="standard deviation of the readings, mm")
    readings: int = Field(description="with an echo, of which the mean is taken")

    @classmethod
    def of(cls, step: CheckStep) -> StepFound:
        """Return what was read on a step."""
        return cls(
            thickness=step.thickness,
            found=finite(step.found, 4),
            deviation=finite(step.deviation, 4),
            spread=finite(step.spread, 4),
            readings=step.readings,
        )


class CheckMessage(Message):
    """A check of the calibration on a block of known steps."""

    message: Literal["check"] = "check"
    id: int = Field(description="number of the check, from 1")
    phase: CheckPhase = Field(description="before the scan, at an interval, or after it")
    by: str
    block: str = Field(description="which block")
    ended: AwareDatetime = Field(description="when the check ended")
    tolerance: float = Field(description="greatest deviation that passes, mm")
    steps: tuple[StepFound, ...] = Field(description="of the block, as they were read")
    passed: bool = Field(description="whether every step lies within the tolerance")
    suspects: int = Field(description="cells that it made suspect")
    lifted_by: str = Field(description="who said that its failing does not count")
    lifted_because: str = Field(description="and why")

    @classmethod
    def of(cls, check: Check, *, station: str, survey: str, time: datetime) -> CheckMessage:
        """Return the message of a check."""
        return cls(
            station=station,
            survey=survey,
            time=time,
            id=check.number,
            phase=check.phase,
            by=check.by,
            block=check.block,
            ended=moment(check.time),
            tolerance=check.tolerance,
            steps=tuple(StepFound.of(step) for step in check.steps),
            passed=check.passed,
            suspects=check.suspects,
            lifted_by=check.lifted_by,
            lifted_because=check.lifted_because,
        )
