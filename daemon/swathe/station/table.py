"""The base of every table of a station file, and the keys with which a table opens a port."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from swathe_drivers import PortSettings

__all__ = ["PortTable", "StationTable"]


class StationTable(BaseModel):
    """A table of a station file: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=False)


class PortTable(StationTable):
    """The port of a device or of a crawler."""

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
        """Return the settings of the port reader.

        Raises:
            pydantic.ValidationError: the port or its baud rate is invalid; `read_station` reports it.
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
