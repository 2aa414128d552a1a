"""What the drivers of lines of text have in common, besides their decoder."""

from collections.abc import Sequence
from typing import Generic, TypeVar

from swathe_drivers.delimited.settings import LinesSettings
from swathe_drivers.talk.answers import AnswerFinder, EndsWith
from swathe_drivers.talk.schedule import Request

_Settings = TypeVar("_Settings", bound=LinesSettings)


class LineDriver(Generic[_Settings]):
    """Driver for devices that send lines; one class each says how a line is read."""

    def __init__(self, settings: _Settings) -> None:
        """Take checked settings."""
        self._settings = settings

    def requests(self) -> Sequence[Request]:
        """None: what is asked for is the user's."""
        return ()

    def answers(self) -> AnswerFinder:
        """An answer is a line."""
        return EndsWith(self._settings.terminator.encode("latin-1"))
