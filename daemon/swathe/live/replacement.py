"""Places the survey again while its run lasts, and shows the new state."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from swathe.live.delay_estimator import DelayEstimator
from swathe.live.session import Session
from swathe.pipeline import Pipeline

__all__ = ["Replacement"]


class Replacement:
    """Replaces the pipeline by one that is placed with all marks of the journal, one at a time.

    Args:
        session: of the run.
        estimator: its `watch` is the session's observer.
        prepare: called in a thread with a new pipeline before it replaces the present one.
        on_placed: called with the pipeline that was replaced, and how it was placed again.
    """

    def __init__(
        self,
        session: Session,
        estimator: DelayEstimator,
        *,
        prepare: Callable[[Pipeline], None],
        on_placed: Callable[[Pipeline, str], None],
    ) -> None:
        self._session = session
        self._estimator = estimator
        self._prepare = prepare
        self._on_placed = on_placed
        self._lock = asyncio.Lock()
        self._how = ""
        self._closed = False

    @property
    def text(self) -> str:
        """What is placed again, as text; empty while nothing is."""
        share = self._session.placing_again
        if share is None:
            return ""
        return f"placing again {self._how}, {share:.0%}"

    async def run(self, how: str, *, needed: Callable[[], bool]) -> bool:
        """Place the survey again; return False if that was stopped.

        Args:
            how: it is placed otherwise, as text, such as ``without line 5``.
            needed: asked once no other placing is under way, which may have had the marks already.

        Raises:
            SurveyError: the files cannot be written.
            JournalError: the journal cannot be read or written.
        """
        async with self._lock:
            if self._closed:
                return False
            if not needed():
                return True
            self._how = how

            def take_over(before: Pipeline) -> None:
                self._estimator.resume(self._session.observer)
                self._on_placed(before, how)

            return await self._session.place_again(
                self._estimator.new_watch(), prepare=self._prepare, on_placed=take_over
            )

    def close(self) -> None:
        """Let a placing that is under way end early, and begin no other one."""
        self._closed = True
        self._session.stop_placing_again()
