"""The page of a run, served inside the daemon's own event loop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from swathe.page.access import Access
from swathe.page.host import PageHost
from swathe.page.hub import Hub
from swathe.page.result import Result, ResultFile
from swathe.page.source import Source
from swathe.station import PageSettings

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["Page"]


class Page(PageHost):
    """Serves the page of a run; open, then close.

    Args:
        settings: the station file's ``[page]``.
        source: the daemon.
        read_only: whether it is of a finished survey, and has no commands.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """

    def __init__(self, settings: PageSettings, source: Source, *, read_only: bool = False) -> None:
        self._read_only = read_only
        self._source, self._hub, self._result = source, Hub(source), Result()
        super().__init__(settings, self._hub, module="swathe.page.app", build=self._app)

    def begin(self) -> None:
        """Show the survey to those who came while it was being resumed."""
        self._hub.begin()

    def replace(self) -> None:
        """Show the whole new state: the survey was placed again."""
        self._hub.replace()

    async def hand_over(self, files: Sequence[ResultFile], where: str, seconds: float) -> None:
        """Offer the files of the result, and wait until the viewers have them.

        Args:
            files: of the result; the last one is fetched last.
            where: the survey is on this computer.
            seconds: to wait at most.
        """
        self._result.offer(files, where)
        self._hub.show_result(self._result.message)
        await self._result.taken(lambda: self.viewers, seconds)

    def _app(self, access: Access) -> ASGIApp:
        from swathe.page.app import build_app

        return build_app(self._source, self._hub, access, self._result, read_only=self._read_only)
