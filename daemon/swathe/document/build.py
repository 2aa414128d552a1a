"""A survey's report, put together from its sections."""

from __future__ import annotations

from swathe.document.coverage_part import coverage_section, plan_section
from swathe.document.front import ACCEPTANCE, cover_facts, summary_section
from swathe.document.history_part import events_section, files_section, signing_section
from swathe.document.material import ReportMaterial, ReportWishes, gather
from swathe.document.model import ReportDocument, ReportSection
from swathe.document.quality_part import calibration_section, settings_section, uncertainty_section
from swathe.document.thickness_part import lines_section, thickness_section, values_section
from swathe.document.zones_part import zones_section
from swathe.store import SurveyFolder

__all__ = ["survey_document"]

_TITLE = "Ultrasonic thickness survey"


def survey_document(folder: SurveyFolder, wishes: ReportWishes | None = None) -> ReportDocument:
    """Return the report of a survey.

    Args:
        folder: the survey.
        wishes: what is asked of the report.

    Raises:
        SurveyError: the record is missing or is not the one that was written, or a line that is
            asked for is outside the survey.
        SwatheError: an entry of the cover, a level, a zone or the like is none.
    """
    of = gather(folder, ReportWishes() if wishes is None else wishes)
    record = of.record
    subject = record.part or record.station
    number = f"report {of.entries.number}, " if of.entries.number else ""
    return ReportDocument(
        title=_TITLE,
        subject=subject,
        running=f"{subject} · {number}survey {record.survey} · {of.wishes.made:%Y-%m-%d}",
        warnings=of.warnings,
        cover=cover_facts(of),
        cautions=(ACCEPTANCE,),
        sections=tuple(_sections(of)),
    )


def _sections(of: ReportMaterial) -> list[ReportSection]:
    made = [summary_section(of), plan_section(of), coverage_section(of)]
    if not of.record.spots:
        made += [thickness_section(of), values_section(of)]
        made += [one for one in (zones_section(of),) if one is not None]
        made += [lines_section(of)]
    return [
        *made,
        calibration_section(of),
        settings_section(of),
        uncertainty_section(of),
        events_section(of),
        files_section(of),
        signing_section(of),
    ]
