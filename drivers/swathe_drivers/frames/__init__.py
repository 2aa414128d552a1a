"""Driver for binary frames, described by settings alone.

For instruments that send numbers as bytes, A-scans among them. The settings say how a frame is
found in the stream, how it is checked, and what is in it; see `FramesSettings`.
"""

from collections.abc import Sequence
from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.frames.decoder import FramesDecoder
from swathe_drivers.frames.framing import Fixed, StartStop
from swathe_drivers.frames.kinds import FrameKindsDecoder
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.talk.answers import AnswerFinder, EndsWith, SoMany
from swathe_drivers.talk.schedule import Request

__all__ = ["FramesDecoder", "FramesDriver", "FramesSettings"]


class FramesDriver:
    """Driver for binary frames."""

    Settings: ClassVar[type[BaseModel]] = FramesSettings

    def __init__(self, settings: FramesSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> RecordDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        if self._settings.record:
            return FrameKindsDecoder(self._settings, ns_per_byte=ns_per_byte)
        return FramesDecoder(self._settings, ns_per_byte=ns_per_byte)

    def requests(self) -> Sequence[Request]:
        """None: what is asked for is the user's."""
        return ()

    @property
    def longest_answer(self) -> int:
        """The most bytes of a frame."""
        return self._settings.size or self._settings.max_length

    def answers(self) -> AnswerFinder | None:
        """An answer is a frame, if its end can be found without decoding it."""
        framing = self._settings.framing
        if isinstance(framing, Fixed):
            return SoMany(framing.length)
        if isinstance(framing, StartStop) and framing.checksum_behind:
            return None
        if isinstance(framing, StartStop) and framing.start != framing.stop:
            return EndsWith(bytes([framing.stop]))
        return None
