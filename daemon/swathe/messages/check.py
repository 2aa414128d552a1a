"""The message of a calibration check."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import Heading, Message
from swathe.pipeline import Check, CheckPhase
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime

__all__ = ["CheckMessage", "StepMessage"]


class StepMessage(Snapshot):
    """A step of the block, as a calibration check measured it."""

    thickness: float = Field(description="of the step, mm")
    measured: Annotated[float | None, Digits(4)] = Field(
        description="mean of the readings, mm; null without an echo"
    )
    deviation: Annotated[float | None, Digits(4)] = Field(description="measured less thickness, mm")
    spread: Annotated[float | None, Digits(4)] = Field(
        description="standard deviation of the readings, mm"
    )
    readings: int = Field(description="with an echo, of which the mean is taken")


class CheckMessage(Message):
    """A calibration check on a block of known steps."""

    message: Literal["check"] = "check"
    number: int = Field(description="of the check, from 1")
    phase: CheckPhase = Field(description="before the scan, at an interval, or after it")
    by: str
    block: str = Field(description="which block")
    ended: UtcTime = Field(description="when the check ended")
    tolerance: float = Field(description="greatest deviation that passes, mm")
    steps: tuple[StepMessage, ...] = Field(description="of the block, as they were measured")
    passed: bool = Field(description="whether every step is within the tolerance")
    suspects: int = Field(description="cells that it made suspect")
    overridden_by: str = Field(description="who overrode its failure; empty when nobody did")
    overridden_because: str = Field(description="why its failure was overridden")

    @classmethod
    def of_check(cls, check: Check, heading: Heading) -> CheckMessage:
        """Return the message of a check."""
        return cls.of(check, heading, ended=check.time)
