"""What to do about a file of a survey that cannot be read or does not match its digest."""

from __future__ import annotations

from swathe.store.folder import SurveyFolder

__all__ = ["REBUILD", "REPAIR", "advice"]

REPAIR = "run `swathe check --repair` on the survey, which writes it again from the journal"
"""What to do about a derived file that does not match its digest."""

REBUILD = "run `swathe rebuild` on the survey"
"""What to do where a derived file is missing or older than the journal."""

_COPY = (
    "it is on object storage, where nothing is written: compare it with its original by "
    "`swathe check ORIGINAL --copy {}`"
)
_WAIT = (
    "a process writes to the survey now: read it again in a moment, or once that process has ended; if "
    "it is still so then, {}"
)


def advice(folder: SurveyFolder, otherwise: str) -> str:
    """Return what to do about a file: `otherwise`, but not while another process writes to the survey.

    Of a survey on object storage, whose files are written elsewhere: how to compare it.

    A run that resumes a survey writes its derived files again, and both `rebuild` and
    `check --repair` are refused meanwhile.

    Args:
        folder: the survey.
        otherwise: the remedy where nobody writes to it, an imperative.
    """
    if folder.stored_away:
        return _COPY.format(folder.path)
    waits = folder.written_now and not folder.written_here
    return _WAIT.format(otherwise) if waits else otherwise
