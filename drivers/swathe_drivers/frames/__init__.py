"""Driver for binary frames, described by settings alone.

For instruments that send numbers as bytes, A-scans among them. The settings say how a frame is
found in the stream, how it is checked, and what stands in it; see `FramesSettings`.
"""

from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.frames.decoder import FramesDecoder
from swathe_drivers.frames.settings import FramesSettings

__all__ = ["FramesDecoder", "FramesDriver", "FramesSettings"]


class FramesDriver:
    """Driver for binary frames."""

    Settings: ClassVar[type[BaseModel]] = FramesSettings

    def __init__(self, settings: FramesSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> FramesDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` on the line."""
        return FramesDecoder(self._settings, ns_per_byte=ns_per_byte)
