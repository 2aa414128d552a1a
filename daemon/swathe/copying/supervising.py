"""The run's side of the process that keeps its copy: started, listened to, waited for at the end."""

from __future__ import annotations

import contextlib
import json
import logging
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from swathe.pipeline.progress.fields import count_text

__all__ = ["CopyProcess", "CopyReport"]

_log = logging.getLogger(__name__)
_END_SECONDS = 5.0
_NO_TIME = "the run was asked to end at once, and there was no time for the rest"


@dataclass(frozen=True)
class CopyReport:
    """What the process stated last.

    Attributes:
        state: ``starting``, ``copying``, ``waiting`` for the storage, ``verified`` or ``incomplete``.
        url: of the copy; empty before it is known.
        text: why it waits or is incomplete.
        files: of the survey that the copy has.
        sent: bytes that were sent.
        waiting: bytes that are to be sent.
    """

    state: str = "starting"
    url: str = ""
    text: str = ""
    files: int = 0
    sent: int = 0
    waiting: int = 0

    def lines(self, folder: Path) -> list[str]:
        """Return what there is to say of the copy at the end of a run."""
        if self.state == "verified":
            return [f"copy: {count_text(self.files, 'file')} verified by SHA-256 at {self.url}"]
        to = self.url or "URL"
        return [
            f"copy: INCOMPLETE: {self.text or 'its process ended without a word'}",
            f"    the survey is whole in {folder}; `swathe copy {folder} {to}` completes the copy",
        ]


class CopyProcess:
    """Keeps a survey's copy by a process of its own; a context manager round a run.

    Args:
        folder: the survey's folder.
        to: URL below which the copy is.
        every: s from look to look at the folder.
        patience: s for which a storage that does not answer is waited for at the end.
        late: s for which the copy may be behind before that is an alarm.
        on_report: called, in a thread, with each report that differs in its state.
        clock: monotonic seconds.

    Attributes:
        report: what it stated last.
    """

    def __init__(
        self,
        folder: Path,
        to: str,
        *,
        every: float,
        patience: float,
        late: float = 300.0,
        on_report: Callable[[CopyReport], object] = lambda _report: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._command = [
            sys.executable,
            "-m",
            "swathe.copying.process",
            str(folder.absolute()),
            to,
            f"{every:g}",
            f"{patience:g}",
        ]
        self._on_report = on_report
        self._late, self._clock = late, clock
        self.report = CopyReport()
        self._note_whole()

    def _note_whole(self) -> None:
        """Note that the copy has all that there was a moment ago."""
        self._whole = self._clock(), datetime.now(UTC)

    def late_text(self) -> str:
        """Return why the copy is behind for longer than it should be; empty while it is not.

        For any thread, while the run lasts.
        """
        report = self.report
        if self._process.poll() is not None or report.state == "incomplete":
            return f"its process has ended: {report.text or 'without a word'}; `swathe copy` completes it"
        at, time_of_day = self._whole
        if self._clock() - at <= self._late:
            return ""
        return f"behind since {time_of_day:%H:%M:%S} UTC: {report.text or 'still sending'}"

    def __enter__(self) -> Self:
        self._note_whole()
        self._process = subprocess.Popen(  # noqa: S603  this program itself
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # Ctrl-C ends the run, which then ends the copy in good order
        )
        self._reader = threading.Thread(target=self._read, name="copy.report", daemon=True)
        self._reader.start()
        return self

    def _read(self) -> None:
        assert self._process.stdout is not None  # noqa: S101  opened above
        for line in self._process.stdout:
            self._take(line)

    def _take(self, line: str) -> None:
        """Take a line that the process printed."""
        try:
            report = CopyReport(**json.loads(line))
        except (ValueError, TypeError):
            _log.warning("the copy's process printed: %s", line.rstrip())
            return
        changed = (report.state, report.text) != (self.report.state, self.report.text)
        self.report = report
        if report.state == "copying":
            self._note_whole()
        if changed:
            self._on_report(report)

    def finish(self, seconds: float | None = None) -> CopyReport:
        """Say that the run has ended, wait until the copy is verified or given up, and return which.

        Args:
            seconds: for which it is waited at most; then the process is ended, and the copy is incomplete.
        """
        stream = self._process.stdin
        with contextlib.suppress(OSError, ValueError):
            if stream is not None:
                stream.write("end\n")
                stream.flush()
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            self._reader.join(_END_SECONDS)
            self.report = replace(self.report, state="incomplete", text=_NO_TIME)
        self._reader.join(_END_SECONDS)
        return self.report

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the process, at once if the run did not `finish` it."""
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(_END_SECONDS)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join(_END_SECONDS)
        if self._process.stdout is not None:
            self._process.stdout.close()
