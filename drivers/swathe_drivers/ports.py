"""The serial ports of this computer."""

from dataclasses import dataclass

from serial.tools import list_ports as _list_ports


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port that the operating system knows; None where it doesn't say."""

    device: str
    description: str | None
    serial_number: str | None


def list_ports() -> list[PortInfo]:
    """The serial ports present now, sorted by device. Network ports can't be listed."""
    # The library writes 'n/a' for a description that the system doesn't give.
    return sorted(
        (
            PortInfo(
                device=port.device,
                description=None if port.description in (None, "n/a") else port.description,
                serial_number=port.serial_number,
            )
            for port in _list_ports.comports()
        ),
        key=lambda port: port.device,
    )
