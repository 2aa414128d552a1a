"""What a viewer of a run that ended takes along: files in memory, for as long as the page is served.

A page outlives its station: it fetches the files at the end, and offers them to its reader when
nothing answers any more. They are served by the rules of every other request.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Result", "ResultFile"]


@dataclass(frozen=True, slots=True)
class ResultFile:
    """A file of the result.

    Attributes:
        name: as it is saved.
        title: what it is, as the text of a link.
        media_type: of its contents.
        data: its contents.
    """

    name: str
    title: str
    media_type: str
    data: bytes


class Result:
    """The files of a run's result; none before its end."""

    def __init__(self) -> None:
        self._files: dict[str, ResultFile] = {}
        self._last = ""
        self._taken = 0
        self._changed = asyncio.Event()
        self.where = ""

    def offer(self, files: Sequence[ResultFile], where: str) -> None:
        """Offer files in this order; `where` is where the survey is on the station's computer."""
        self._files = {file.name: file for file in files}
        self._last = files[-1].name if files else ""
        self.where = where

    @property
    def message(self) -> dict[str, Any] | None:
        """What the viewers are sent; None before the end."""
        if not self.where:
            return None
        files = [
            {"name": file.name, "title": file.title, "bytes": len(file.data)}
            for file in self._files.values()
        ]
        return {"files": files, "where": self.where}

    def take(self, name: str) -> ResultFile:
        """Return a file for a viewer.

        Raises:
            LookupError: there is none of that name.
        """
        file = self._files.get(name)
        if file is None:
            message = "no such file of the result"
            raise LookupError(message)
        if name == self._last:
            self._taken += 1
            self._changed.set()
        return file

    async def taken(self, viewers: Callable[[], int], seconds: float) -> None:
        """Wait until each viewer has fetched the last file, at most some seconds."""
        try:
            async with asyncio.timeout(seconds):
                while self._last and self._taken < viewers():
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            pass  # what a slow viewer has not fetched is on the station's computer
