"""A task of a run that has the survey placed again: how it is woken, checked and ended."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

from swathe.live.replacement import Replacement

__all__ = ["PlacingTask"]


class PlacingTask:
    """Base of what decides during a run that the survey is to be placed again.

    Args:
        replacement: places the survey again.
    """

    def __init__(self, replacement: Replacement) -> None:
        self._replacement = replacement
        self._wake = asyncio.Event()
        self._ending = self._failed = False
        self._task: asyncio.Task[None] | None = None

    def _start(self, work: Coroutine[Any, Any, None], name: str) -> None:
        """Begin the work, as a task of the running loop; it ends once `_ending` is set."""
        self._task = asyncio.create_task(work, name=name)

    def check(self) -> None:
        """Raise what ended the task, such as a full disk.

        Raises:
            JournalError: the journal cannot be read or written.
            SurveyError: the files cannot be written.
        """
        if self._task is not None and self._task.done():
            self._task.result()

    async def finish(self) -> None:
        """Let the task end, then do what is still due.

        Raises:
            JournalError: the journal cannot be read or written.
            SurveyError: the files cannot be written.
        """
        self._ending = True
        self._wake.set()
        if self._task is not None:
            await self._task
            await self._finish()

    async def _finish(self) -> None:
        """Do what is still due at the end of a run."""
        raise NotImplementedError

    async def close(self) -> None:
        """End at once; harmless after `finish`."""
        self._ending = True
        self._wake.set()
        self._replacement.close()
        if self._task is not None:
            await asyncio.gather(self._task, return_exceptions=True)  # a thread cannot be cancelled
