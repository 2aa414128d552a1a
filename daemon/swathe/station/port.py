"""The keys by which a table of the station file says how a port is opened."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from swathe.station.table import Table
from swathe_drivers import PortSettings

__all__ = ["PortTable"]


class PortTable(Table):
    """What devices and machines have in common: a port."""

    port: str = Field(
        min_length=1,
        description="device path, COM port, usb:SERIAL, socket://, rfc2217:// or capture:PATH",
    )
    baud: int = 115_200
    bytesize: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stopbits: Literal[1, 2] = 1
    xonxoff: bool = False
    rtscts: bool = False

    def port_settings(self) -> PortSettings:
        """Return what the port reader needs.

        Raises:
            pydantic.ValidationError: the port or its baud rate cannot be; told by `load_station`.
        """
        return PortSettings(
            url=self.port,
            baud=self.baud,
            bytesize=self.bytesize,
            parity=self.parity,
            stopbits=self.stopbits,
            xonxoff=self.xonxoff,
            rtscts=self.rtscts,
        )
