"""Drivers for lines of text without separators: columns at fixed places, or a pattern.

What may be in a column is what may in delimited lines; see `swathe_drivers.delimited`.
"""

from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.delimited import LineDriver
from swathe_drivers.lines.decoder import FixedColumnsDecoder, PatternDecoder
from swathe_drivers.lines.settings import FixedColumnsSettings, PatternSettings

__all__ = [
    "FixedColumnsDecoder",
    "FixedColumnsDriver",
    "FixedColumnsSettings",
    "PatternDecoder",
    "PatternDriver",
    "PatternSettings",
]


class FixedColumnsDriver(LineDriver[FixedColumnsSettings]):
    """Driver for lines whose columns stand at fixed places."""

    Settings: ClassVar[type[BaseModel]] = FixedColumnsSettings

    def decoder(self, *, ns_per_byte: int) -> RecordDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        return self._decoder(FixedColumnsDecoder, ns_per_byte)


class PatternDriver(LineDriver[PatternSettings]):
    """Driver for lines that fit a regular expression with named groups."""

    Settings: ClassVar[type[BaseModel]] = PatternSettings

    def decoder(self, *, ns_per_byte: int) -> RecordDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        return self._decoder(PatternDecoder, ns_per_byte)
