"""What is known of the computer's clock during a survey, as text."""

from __future__ import annotations

from swathe.station import AlarmKind
from swathe.store import SurveyRecord

__all__ = ["clock_lines"]

_KINDS = (AlarmKind.CLOCK_NOT_SET, AlarmKind.CLOCK_STEPPED)


def clock_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each time that the computer's clock was not set or was set during a run.

    Its source is what the daemon had noticed, as the journal has it; times are those of the run.
    """
    return [
        f"TIMES: {alarm.kind}, noticed at {alarm.since:%Y-%m-%d %H:%M:%S} UTC of that run: {alarm.detail}"
        for alarm in record.alarms
        if alarm.kind in _KINDS
    ]
