"""Driver for devices that send lines of text with columns between separators.

Most thickness gauges, flaw detectors and encoder interfaces can send such lines, and the
settings define each column; see `DelimitedSettings`.
"""

from collections.abc import Callable, Sequence
from typing import ClassVar, Generic, TypeVar

from pydantic import BaseModel

from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.delimited.decoder import DelimitedDecoder
from swathe_drivers.delimited.kinds_decoder import LineKindsDecoder
from swathe_drivers.delimited.separated import DelimitedSettings
from swathe_drivers.delimited.settings import TextLineSettings
from swathe_drivers.delimited.text_decoder import TextDecoder
from swathe_drivers.talk.answers import AnswerFinder, EndsWith
from swathe_drivers.talk.schedule import Request

__all__ = ["DelimitedDecoder", "DelimitedDriver", "DelimitedSettings", "LineDriver"]

_Settings = TypeVar("_Settings", bound=TextLineSettings)


class LineDriver(Generic[_Settings]):
    """Driver for devices that send lines; each class defines how a line is read."""

    def __init__(self, settings: _Settings) -> None:
        """Take checked settings."""
        self._settings = settings

    def _decoder(self, make: Callable[..., TextDecoder], ns_per_byte: int) -> RecordDecoder:
        """A new decoder, with one that `make` makes for each kind of lines."""
        decoders = [make(kind, ns_per_byte=ns_per_byte) for kind in self._settings.kinds]
        if len(decoders) == 1:
            return decoders[0]
        return LineKindsDecoder(self._settings, decoders, ns_per_byte=ns_per_byte)

    def requests(self) -> Sequence[Request]:
        """Return none: the requests are the user's."""
        return ()

    @property
    def longest_answer(self) -> int:
        """The most bytes of a line."""
        return self._settings.max_length

    def answers(self) -> AnswerFinder | None:
        """An answer is a line, or ends with a prompt; None where a checksum is behind the terminator."""
        if self._settings.prompt:
            return EndsWith(self._settings.prompt.encode("latin-1"))
        checksum = self._settings.checksum
        if checksum is not None and checksum.behind_terminator:
            return None
        return EndsWith(self._settings.terminator.encode("latin-1"))


class DelimitedDriver(LineDriver[DelimitedSettings]):
    """Driver for devices that send delimited lines."""

    Settings: ClassVar[type[BaseModel]] = DelimitedSettings

    def decoder(self, *, ns_per_byte: int) -> RecordDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        return self._decoder(DelimitedDecoder, ns_per_byte)
