"""Driver for lines of text with columns between separators, described by settings alone.

Most thickness gauges, flaw detectors and encoder interfaces can send such lines. The
settings say what stands in each column; see `DelimitedSettings`.
"""

from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.delimited.decoder import DelimitedDecoder
from swathe_drivers.delimited.settings import DelimitedSettings

__all__ = ["DelimitedDecoder", "DelimitedDriver", "DelimitedSettings"]


class DelimitedDriver:
    """Driver for lines of text with columns between separators."""

    Settings: ClassVar[type[BaseModel]] = DelimitedSettings

    def __init__(self, settings: DelimitedSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> DelimitedDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` on the line."""
        return DelimitedDecoder(self._settings, ns_per_byte=ns_per_byte)
