"""The list of this computer's ports."""

import pytest
from serial.tools import list_ports as library
from serial.tools.list_ports_common import ListPortInfo

from swathe_drivers.ports import PortInfo, list_ports


def test_list_ports_gives_what_the_system_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sorted by device; what the system does not say is None."""
    adapter, bare = ListPortInfo("/dev/ttyUSB1"), ListPortInfo("/dev/ttyS0")
    adapter.description, adapter.serial_number = "USB adapter", "A7"
    monkeypatch.setattr(library, "comports", lambda: [adapter, bare])
    assert list_ports() == [
        PortInfo(device="/dev/ttyS0", description=None, serial_number=None),
        PortInfo(device="/dev/ttyUSB1", description="USB adapter", serial_number="A7"),
    ]


def test_list_ports_of_this_computer_are_sorted() -> None:
    """It works on whatever is there."""
    devices = [port.device for port in list_ports()]
    assert devices == sorted(devices)
