"""The serial ports of this computer, and how one of them is named for good.

The name that the system gives a USB adapter (`/dev/ttyUSB0`, `COM7`) depends on the order of
plugging. `usb:SERIAL` names it by the serial number that is burnt into it instead, and
`usb:SERIAL:INTERFACE` one of several ports of the same adapter; both are looked up again at
every opening.
"""

import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from serial.tools import list_ports as _list_ports

from swathe_drivers.errors import PortError

USB: Final = "usb:"
"""How the address of a port named by its USB serial number begins."""

_INTERFACE: Final = re.compile(r":\w+\.(\d+)$")  # of a location such as 1-2.3:1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """A serial port that the operating system knows; None where it doesn't say.

    Attributes:
        device: what the system calls it.
        description: what it is, in the words of its maker.
        manufacturer: who made it.
        serial_number: of the USB device that it belongs to.
        interface: its number within a USB device that has several ports.
        name: an address that stays the same when the adapter is plugged in elsewhere; the
            device where there is none.
    """

    device: str
    description: str | None = None
    manufacturer: str | None = None
    serial_number: str | None = None
    interface: str | None = None
    name: str = ""


def list_ports() -> list[PortInfo]:
    """The serial ports present now, sorted by device. Network ports can't be listed."""
    found = sorted(_list_ports.comports(), key=lambda port: port.device)
    sharing = Counter(port.serial_number for port in found if port.serial_number)
    ports = []
    for port in found:
        located = _INTERFACE.search(port.location or "")
        interface = located.group(1) if located else None
        name = port.device
        if port.serial_number and sharing[port.serial_number] == 1:
            name = f"{USB}{port.serial_number}"
        elif port.serial_number and interface:
            name = f"{USB}{port.serial_number}:{interface}"
        ports.append(
            PortInfo(
                device=port.device,
                # The library writes 'n/a' for a description that the system doesn't give.
                description=None if port.description in (None, "n/a") else port.description,
                manufacturer=port.manufacturer,
                serial_number=port.serial_number,
                interface=interface,
                name=name,
            )
        )
    return ports


def device_of(url: str) -> str:
    """The device that `url` names now: `usb:...` is looked up, all else is a device already.

    Raises:
        PortError: no port, or more than one, has that serial number; plug it in, or name the
            interface that the message lists.
    """
    if not url.startswith(USB):
        return url
    ports = list_ports()
    wanted = url.removeprefix(USB)
    same = [port for port in ports if port.serial_number == wanted]
    if not same:  # a serial number may hold a colon itself
        serial_number, _, interface = wanted.rpartition(":")
        same = [
            port
            for port in ports
            if port.serial_number == serial_number and port.interface == interface
        ]
    if len(same) == 1:
        return same[0].device
    if same:
        names = ", ".join(f"{port.name} ({port.device})" for port in same)
        raise PortError(url, f"is the name of {len(same)} ports; write one of {names}")
    known = [port.name for port in ports if port.serial_number]
    present = f"present now: {', '.join(known)}" if known else "no port with one is"
    raise PortError(url, f"no port with this USB serial number is plugged in; {present}")
