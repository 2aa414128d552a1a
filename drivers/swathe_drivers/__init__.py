"""Bytes of a port to typed batches: drivers, decoders and the reading of ports."""

from swathe_drivers.abc import (
    AskingDriver,
    CuttingDecoder,
    Decoder,
    Driver,
    InputsDecoder,
    NumberingDecoder,
    ToldDecoder,
    channels_of,
    inputs_of,
)
from swathe_drivers.backoff import Backoff
from swathe_drivers.capture import CaptureError, CaptureHeader, CaptureReader, CaptureWriter
from swathe_drivers.chunkwise import ChunkwiseDecoder
from swathe_drivers.description import (
    Description,
    DescriptionError,
    parse_description,
    read_description,
)
from swathe_drivers.errors import DriverError, DriverUsageError, PortError, SettingsError
from swathe_drivers.guarded import GuardedDecoder
from swathe_drivers.made import MadeDriver, check_driver, make_driver
from swathe_drivers.port import PortReader, PortState, open_port
from swathe_drivers.ports import PortInfo, list_ports
from swathe_drivers.records import (
    READING,
    Batch,
    ChannelFormat,
    Fault,
    FaultReason,
    WaveformFormat,
    position_dtype,
)
from swathe_drivers.registry import driver_names, load_driver
from swathe_drivers.settings import read_settings, settings_error
from swathe_drivers.talk import (
    Polling,
    Schedule,
    TakenAt,
    TalkSettings,
    make_polling,
    make_schedule,
)
from swathe_drivers.toml_excerpt import toml_excerpt
from swathe_drivers.transport import PortSettings

__all__ = [
    "READING",
    "AskingDriver",
    "Backoff",
    "Batch",
    "CaptureError",
    "CaptureHeader",
    "CaptureReader",
    "CaptureWriter",
    "ChannelFormat",
    "ChunkwiseDecoder",
    "CuttingDecoder",
    "Decoder",
    "Description",
    "DescriptionError",
    "Driver",
    "DriverError",
    "DriverUsageError",
    "Fault",
    "FaultReason",
    "GuardedDecoder",
    "InputsDecoder",
    "MadeDriver",
    "NumberingDecoder",
    "Polling",
    "PortError",
    "PortInfo",
    "PortReader",
    "PortSettings",
    "PortState",
    "Schedule",
    "SettingsError",
    "TakenAt",
    "TalkSettings",
    "ToldDecoder",
    "WaveformFormat",
    "channels_of",
    "check_driver",
    "driver_names",
    "inputs_of",
    "list_ports",
    "load_driver",
    "make_driver",
    "make_polling",
    "make_schedule",
    "open_port",
    "parse_description",
    "position_dtype",
    "read_description",
    "read_settings",
    "settings_error",
    "toml_excerpt",
]
