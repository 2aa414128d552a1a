"""Driver for devices that send lines of text with columns between separators.

Most thickness gauges, flaw detectors and encoder interfaces can send such lines, and the
settings say what stands in each column; see `DelimitedSettings`.
"""

from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.delimited.decoder import DelimitedDecoder
from swathe_drivers.delimited.line_driver import LineDriver
from swathe_drivers.delimited.settings import DelimitedSettings

__all__ = ["DelimitedDecoder", "DelimitedDriver", "DelimitedSettings"]


class DelimitedDriver(LineDriver[DelimitedSettings]):
    """Driver for devices that send delimited lines."""

    Settings: ClassVar[type[BaseModel]] = DelimitedSettings

    def decoder(self, *, ns_per_byte: int) -> DelimitedDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        return DelimitedDecoder(self._settings, ns_per_byte=ns_per_byte)
