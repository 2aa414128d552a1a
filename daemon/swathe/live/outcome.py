"""How a run ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from swathe.store import SurveyFolder, SurveyRecord

__all__ = ["RunOutcome"]


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended.

    Attributes:
        status: whether the plan is covered.
        reason: of the end.
        folder: the survey.
        record: of the survey.
        halted: a fault stopped the crawler, and nobody has cleared it.
        unpublished: what the broker does not have of how the run ended; empty where it has all.
    """

    status: Literal["complete", "incomplete"]
    reason: str
    folder: SurveyFolder
    record: SurveyRecord
    halted: bool = False
    unpublished: str = ""
