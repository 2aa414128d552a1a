"""What operators discarded, moved and restored in a survey, from its journal."""

from __future__ import annotations

from swathe.journal import MarkKind, read_marks
from swathe.pipeline import Revision, RevisionLog
from swathe.pipeline.revisions import REVISION_MARKS
from swathe.store.folder import SurveyFolder

__all__ = ["revisions_in_force"]


def revisions_in_force(folder: SurveyFolder, *, until: int | None = None) -> tuple[Revision, ...]:
    """Return the revisions of a survey that were not taken back, in their order.

    The survey is placed with them from its first entry on.

    Args:
        folder: the survey.
        until: ns UTC; marks that are later do not count.

    Raises:
        JournalError: the journal cannot be read.
    """
    log = RevisionLog()
    utc_offset = 0
    for mark in read_marks(folder.journal, (MarkKind.OPENED, *REVISION_MARKS)):
        if mark.kind is MarkKind.OPENED:
            utc_offset = int(mark.detail["utc_ns"]) - mark.time
            log.open_run()
        time = mark.time + utc_offset
        if until is not None and time > until:
            break
        if mark.kind is not MarkKind.OPENED:
            log.take(mark.kind, mark.detail, time)
    return log.in_force
