"""How a run ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from swathe.errors import SurveyError
from swathe.pipeline import Pipeline
from swathe.store import SurveyFolder, SurveyRecord, read_survey_record

__all__ = ["RunOutcome", "covered_text"]


def covered_text(pipeline: Pipeline) -> str:
    """Return, of a survey that reached its target, that the plan is covered or what share was required."""
    if pipeline.coverage.measured >= pipeline.coverage.required:
        return "the plan is covered"
    return f"the target of {pipeline.station.survey.target_coverage:g} % is reached"


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended.

    Attributes:
        status: whether the survey has reached its target.
        reason: of the end.
        folder: the survey.
        halted: a fault stopped the crawler, and nobody has cleared it.
        unpublished: what the broker does not have of how the run ended; empty where it has all.
        resumed: whether the earlier runs were replayed; else only the journal was written.
    """

    status: Literal["complete", "incomplete"]
    reason: str
    folder: SurveyFolder
    halted: bool = False
    unpublished: str = ""
    resumed: bool = True

    @property
    def record(self) -> SurveyRecord:
        """The survey's record, as it is on the disk.

        Raises:
            SurveyError: it cannot be read; nothing has written it yet where the run was not resumed.
        """
        return read_survey_record(self.folder.record)

    @property
    def newest_record(self) -> SurveyRecord | None:
        """The record; None where the run was not resumed and no run before has left one.

        Raises:
            SurveyError: it cannot be read, though this run has written it.
        """
        try:
            return self.record
        except SurveyError:
            if self.resumed:
                raise
            return None
