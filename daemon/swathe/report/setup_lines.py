"""What was set up for a survey, in lines of its report."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.pipeline.progress.fields import number_text
from swathe.store import SensitivityRecord, SurveyRecord

__all__ = ["sensitivity_text", "setup_lines"]


def setup_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each sensitivity check and for gates changed before a run."""
    lines = [
        f"gates changed at {one.time:%Y-%m-%d %H:%M:%S} UTC by {one.by}: {'; '.join(one.changes)}"
        for one in record.gates_changed
    ]
    return lines + [sensitivity_text(one, record.display) for one in record.sensitivity]


def sensitivity_text(check: SensitivityRecord, units: DisplayUnits) -> str:
    """Return a sensitivity check in a line."""
    verdict = "passed" if check.passed else "FAILED"
    step = "" if check.step is None else f" {units.stated_thickness_text(check.step)}"
    where = f" on {check.block or 'the step of'}{step}" if check.block or step else ""
    when = ", in the set-up before the run" if check.before_run else ""
    return (
        f"sensitivity{f' of probe {check.probe}' if check.probe else ''} of {check.time:%Y-%m-%d %H:%M:%S} UTC by {check.by}{when}: {verdict}, "
        f"{number_text(check, 'deviation', sign=True)} dB from {check.reference:g} % "
        f"(echo {number_text(check, 'measured')} %{where}, {check.readings} readings within "
        f"{number_text(check, 'spread')} dB), tolerance {check.tolerance:g} dB"
    )
