"""The message of a calibration check."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Heading, Message
from swathe.pipeline import Check, CheckPhase
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime

__all__ = [
    "CheckMessage",
    "CheckResult",
    "CheckingMessage",
    "ProbeInCheck",
    "StepMessage",
    "newest_checks",
]


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
    redone: int = Field(
        0, description="how often the step was read before; what was read then does not count"
    )


class CheckMessage(Message):
    """A calibration check on a block of known steps."""

    message: Annotated[Literal["check"], KIND] = "check"
    number: int = Field(description="of the check, from 1")
    phase: CheckPhase = Field(description="before the scan, at an interval, or after it")
    by: str = Field(description="who made it")
    block: str = Field(description="which block")
    ended: UtcTime = Field(description="when the check ended")
    tolerance: float = Field(description="greatest deviation that passes, mm")
    steps: tuple[StepMessage, ...] = Field(description="of the block, as they were measured")
    passed: bool = Field(description="whether every step is within the tolerance")
    suspects: int = Field(description="cells that it made suspect")
    overridden_by: str = Field(description="who overrode its failure; empty when nobody did")
    overridden_because: str = Field(description="why its failure was overridden")
    probe: str = Field("", description="the probe that was on the block; empty for the only one")

    @classmethod
    def of_check(cls, check: Check, heading: Heading) -> CheckMessage:
        """Return the message of a check."""
        return cls.of(check, heading, ended=check.time, probe=check.probe_name)

    @property
    def of_probe(self) -> str:
        """The probe as it follows the check's number in a text; empty for the only one."""
        return f" of probe {self.probe}" if self.probe else ""


def newest_checks(checks: Iterable[CheckMessage], first: str = "") -> dict[str, CheckMessage]:
    """Return the newest check of each probe that counts: not one that failed and was overridden.

    Args:
        checks: of a survey, in their order.
        first: the probe that checks without a name are of.
    """
    return {check.probe or first: check for check in checks if not check.overridden_by}


class CheckResult(StrEnum):
    """What came of a probe in a round of checks."""

    TO_CHECK = "to check"
    ON_BLOCK = "on the block"
    """It is checked now, or is to be put on the block."""
    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"


class ProbeInCheck(Snapshot):
    """A probe in a round of checks."""

    name: str = Field(description="of the probe, as in the station file")
    result: CheckResult = Field(description="what came of it")


class CheckingMessage(Message):
    """A calibration check within the run: the one in progress, or the one that is due."""

    message: Annotated[Literal["checking"], KIND] = "checking"
    active: bool = Field(description="whether a check is in progress")
    asked: bool = Field(
        description="whether one is asked for now: it is due, and the line has ended"
    )
    overdue_minutes: int | None = Field(
        description="by how much one is overdue, whole minutes; null while none is"
    )
    overdue_probes: tuple[str, ...] = Field(
        (), description="whose check is overdue; none of a station with one probe"
    )
    text: str = Field(description="what is to be done; empty where nothing is")
    gauge: str = Field("", description="what the gauge reads on the block")
    phase: CheckPhase | None = Field(None, description="before, at an interval or after the scan")
    by: str = Field("", description="who makes it")
    by_crawler: bool = Field(False, description="whether a crawler makes it, on the part")
    probe: str = Field("", description="which probe is checked now; empty for the only one")
    probes: tuple[ProbeInCheck, ...] = Field(
        (), description="the probes of the round, in their order; none of a station with one probe"
    )
    step: float | None = Field(None, description="thickness of the step to be read, mm")
    number: int | None = Field(None, description="of it, from 1")
    steps: int = Field(0, description="steps of the block")
    value: Annotated[float | None, Digits(3)] = Field(
        None, description="mean of the newest readings, mm; null while the probe is off"
    )
    spread: Annotated[float | None, Digits(4)] = Field(
        None, description="maximum less minimum of them, mm"
    )
    steady: bool = Field(False, description="whether they can be taken")
    lifted: bool = Field(
        False, description="whether the probe was off, or elsewhere, since the step before"
    )
    beyond: bool = Field(
        False,
        description="whether the step was read, is beyond the tolerance, and is to be read again or "
        "kept",
    )
    taken: tuple[StepMessage, ...] = Field((), description="the steps read so far")
