"""The list of this computer's ports, and ports by their USB serial number."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
import serial
from serial.tools import list_ports as library
from serial.tools.list_ports_common import ListPortInfo

from drivers.doubles import PtyPort, Tape, wait_until
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import PortError, SettingsError
from swathe_drivers.port import PortReader, PortState, open_port
from swathe_drivers.ports import PortInfo, device_of, list_ports
from swathe_drivers.settings import read_settings
from swathe_drivers.transport import PortSettings


def plugged(
    device: str, serial_number: str | None = None, location: str | None = None
) -> ListPortInfo:
    """A port as the library tells it."""
    port = ListPortInfo(device)
    port.serial_number = serial_number
    port.location = location
    return port


@pytest.fixture
def present(monkeypatch: pytest.MonkeyPatch) -> list[ListPortInfo]:
    """The ports that the library finds; fill in."""
    ports: list[ListPortInfo] = []
    monkeypatch.setattr(library, "comports", lambda: list(ports))
    return ports


def test_list_ports_gives_what_the_system_knows(present: list[ListPortInfo]) -> None:
    """Sorted by device; what the system does not say is None; a name that lasts where there is."""
    adapter = plugged("/dev/ttyUSB1", "A7", "1-2")
    adapter.description, adapter.manufacturer = "USB adapter", "Maker"
    two = [plugged(f"/dev/ttyUSB{n}", "Q:4", f"1-3.1:1.{n - 2}") for n in (2, 3)]
    present += [adapter, plugged("/dev/ttyS0"), *two]
    assert list_ports() == [
        PortInfo(device="/dev/ttyS0", name="/dev/ttyS0"),
        PortInfo(
            device="/dev/ttyUSB1",
            description="USB adapter",
            manufacturer="Maker",
            serial_number="A7",
            name="usb:A7",
        ),
        PortInfo(device="/dev/ttyUSB2", serial_number="Q:4", interface="0", name="usb:Q:4:0"),
        PortInfo(device="/dev/ttyUSB3", serial_number="Q:4", interface="1", name="usb:Q:4:1"),
    ]
    for port in list_ports():
        assert device_of(port.name) == port.device


def test_device_of_unknown_or_ambiguous_serial_number_lists_the_known(
    present: list[ListPortInfo],
) -> None:
    """The message says what is plugged in, or which interfaces there are."""
    with pytest.raises(PortError) as caught:
        device_of("usb:A7")
    assert caught.value.reason == (
        "no port with this USB serial number is plugged in; no port with one is"
    )
    present += [plugged(f"/dev/ttyUSB{n}", "Q4", f"1-3:1.{n}") for n in (0, 1)]
    with pytest.raises(PortError) as unknown:
        device_of("usb:A7")
    assert unknown.value.reason.endswith("present now: usb:Q4:0, usb:Q4:1")
    with pytest.raises(PortError) as both:
        device_of("usb:Q4")
    assert str(both.value) == (
        "port usb:Q4: is the name of 2 ports;"
        " write one of usb:Q4:0 (/dev/ttyUSB0), usb:Q4:1 (/dev/ttyUSB1)"
    )


def test_port_by_serial_number_survives_being_plugged_in_elsewhere(
    present: list[ListPortInfo], tmp_path: Path
) -> None:
    """Pulled out and plugged into another socket it has another device, and is read on."""
    tape = Tape()
    port = PortReader(
        "gauge",
        PortSettings(url="usb:A7"),
        on_chunk=tape.on_chunk,
        on_state=tape.on_state,
        backoff=Backoff(first=0.01, cap=0.05),
    )
    with PtyPort(tmp_path / "ttyUSB0") as here, PtyPort(tmp_path / "ttyUSB1") as there, port:
        wait_until(lambda: tape.count(PortState.LOST) == 1, "that it is missing")
        present[:] = [plugged(str(here.link), "A7")]
        port.wait_open(5)
        here.send(b"here")
        wait_until(lambda: tape.data == b"here", "bytes")
        present[:] = []
        here.unplug()
        wait_until(lambda: port.state is PortState.LOST, "the loss")
        present[:] = [plugged(str(there.link), "A7")]
        port.wait_open(5)
        there.send(b"there")
        wait_until(lambda: tape.data == b"herethere", "bytes")


def test_port_by_serial_number_that_is_busy_names_its_device(
    present: list[ListPortInfo], tmp_path: Path
) -> None:
    """Opened exclusively: the second one is told which device is in use."""
    with PtyPort(tmp_path / "ttyUSB0") as far_end:
        present[:] = [plugged(str(far_end.link), "A7")]
        settings = PortSettings(url="usb:A7")
        first = open_port(settings)
        try:
            with pytest.raises(PortError) as caught:
                open_port(settings)
        finally:
            first.close()
        assert caught.value.reason == (
            f"is {far_end.link} now, which is in use by another program; close that one"
        )


def test_port_by_serial_number_without_permission_names_the_group(
    present: list[ListPortInfo], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The group is that of the device, not of the name."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    present[:] = [plugged(str(device), "A7")]
    grp = pytest.importorskip("grp")
    monkeypatch.setattr(grp, "getgrgid", lambda _id: grp.struct_group(("dialout", "x", 20, [])))
    monkeypatch.setenv("USER", "inspector")

    def refuse(*_arguments: object, **_settings: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PortError) as caught:
        open_port(PortSettings(url="usb:A7"))
    assert caught.value.reason == (
        f"is {device} now, which may only be opened by members of the group 'dialout';"
        " run 'sudo usermod -aG dialout inspector' and log in again"
    )


def test_settings_of_port_without_serial_number_are_refused() -> None:
    """`usb:` alone names nothing."""
    with pytest.raises(SettingsError) as caught:
        read_settings(PortSettings, {"url": "usb:"}, key="port")
    assert str(caught.value) == (
        "'port.url' must name a USB serial number; `swathe ports` lists them (got 'usb:')"
    )


def test_list_ports_of_this_computer_are_sorted() -> None:
    """It works on whatever is there."""
    devices = [port.device for port in list_ports()]
    assert devices == sorted(devices)
