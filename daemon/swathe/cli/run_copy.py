"""The copy on object storage that a run keeps, where its station file names one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.cli.app import errors, say
from swathe.stop_requests import STOP_REQUESTS, TERMINATED, end_within

if TYPE_CHECKING:
    from swathe.copying import CopyProcess
    from swathe.copying.supervising import CopyReport
    from swathe.station.model import StoreSettings
    from swathe.store import SurveyFolder

__all__ = ["finish_copy", "run_copy"]

# Of the time that a terminated run has: for its own end, before that of the copy.
_END_SECONDS = 2.0


def run_copy(settings: StoreSettings, folder: SurveyFolder) -> CopyProcess | None:
    """Return the process that keeps the copy, not yet started; None where the station has none.

    Raises:
        SwatheError: the extra ``storage`` is not installed.
    """
    if settings.copy_to is None:
        return None
    from swathe.copying.supervising import CopyProcess
    from swathe.object_storage.stores import require_library

    require_library()
    return CopyProcess(
        folder.path,
        settings.copy_to,
        every=settings.copy_interval / 1e9,
        patience=settings.copy_patience / 1e9,
        late=max(settings.copy_late / 1e9, 3 * settings.copy_interval / 1e9),
        on_report=_log_report,
    )


def _log_report(report: CopyReport) -> None:
    import logging

    log = logging.getLogger(__name__)
    if report.state == "copying":
        log.info("copy: follows the run at %s", report.url)
    elif report.state == "waiting":
        log.warning("copy: waits, acquisition continues: %s", report.text)


def finish_copy(copying: CopyProcess, folder: SurveyFolder) -> None:
    """Wait until the copy is verified or given up, and print which."""
    say("copy: sending the rest, and reading it back")
    STOP_REQUESTS.last_words = lambda: f"the survey is whole in {folder.path}, its copy is not"
    # Who terminates a run waits for no storage; Ctrl-C a second time ends the waiting.
    terminated = STOP_REQUESTS.reason == TERMINATED
    report = copying.finish(max(0.5, end_within() - _END_SECONDS) if terminated else None)
    for line in report.lines(folder.path):
        if report.state == "verified":
            say(line)
        else:
            errors.print(line, style="bold", soft_wrap=True, highlight=False, markup=False)
