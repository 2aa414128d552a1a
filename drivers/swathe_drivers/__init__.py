"""Bytes of a port to typed batches: drivers, decoders and the reading of ports."""

from swathe_drivers.abc import Decoder, Driver
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import DriverError, PortError, SettingsError, UsageError
from swathe_drivers.port import PortReader, PortState, open_port
from swathe_drivers.ports import PortInfo, list_ports
from swathe_drivers.records import READING, Batch, Fault, FaultReason, position_dtype
from swathe_drivers.registry import driver_names, load_driver
from swathe_drivers.settings import read_settings, settings_error
from swathe_drivers.transport import PortSettings

__all__ = [
    "READING",
    "Backoff",
    "Batch",
    "Decoder",
    "Driver",
    "DriverError",
    "Fault",
    "FaultReason",
    "PortError",
    "PortInfo",
    "PortReader",
    "PortSettings",
    "PortState",
    "SettingsError",
    "UsageError",
    "driver_names",
    "list_ports",
    "load_driver",
    "open_port",
    "position_dtype",
    "read_settings",
    "settings_error",
]
