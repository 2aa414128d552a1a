"""The delays that a survey has measured itself, from its journal."""

from __future__ import annotations

from swathe.journal import MarkKind, read_marks
from swathe.pipeline import MeasuredDelay
from swathe.station import AUTO, station_in_journal
from swathe.store.folder import SurveyFolder

__all__ = ["measured_delays"]


def measured_delays(folder: SurveyFolder, *, until: int | None = None) -> dict[str, MeasuredDelay]:
    """Return the newest delay that the survey has measured, by device.

    Every run in which the device's delay is ``auto`` is placed with it from the run's begin on.

    Args:
        folder: the survey.
        until: ns UTC; marks that are later do not count.

    Raises:
        JournalError: the journal cannot be read.
        StationError: this version of Swathe does not understand a station file in the journal.
    """
    stations = (station_in_journal(mark.detail, folder.journal) for mark in folder.openings())
    if not any(device.delay == AUTO for one in stations for device in one.device.values()):
        return {}
    measured: dict[str, MeasuredDelay] = {}
    utc_offset = 0
    for mark in read_marks(folder.journal, (MarkKind.OPENED, MarkKind.DELAY)):
        if mark.kind is MarkKind.OPENED:
            utc_offset = int(mark.detail["utc_ns"]) - mark.time
        if until is not None and mark.time + utc_offset > until:
            break
        if mark.kind is MarkKind.DELAY:
            measured[str(mark.detail["device"])] = MeasuredDelay.of_mark(mark.detail)
    return measured
