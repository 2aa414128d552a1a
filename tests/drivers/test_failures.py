"""Clear words for what goes wrong with a port."""

import errno
import grp
from pathlib import Path

import pytest
import serial

from swathe_drivers.errors import PortError
from swathe_drivers.failures import explain
from swathe_drivers.port import open_port
from swathe_drivers.transport import PortSettings


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialTimeoutException("Write timeout"), "takes no bytes; check flow control and the cable"),
        (OSError(errno.EBUSY, "busy"), "is in use by another program; close that one"),
        (OSError(errno.ENOENT, "no"), "does not exist; is the device plugged in and switched on?"),
        (OSError(errno.ENOTTY, "no"), "is not a serial port, or does not know these settings"),
        (OSError(errno.EIO, "io"), "is gone; was it unplugged or switched off?"),
        (OSError(errno.EHOSTUNREACH, "x"), "can't be reached over the network; check address and cable"),
        (TimeoutError("timed out"), "can't be reached over the network; check address and cable"),
        (serial.SerialException("device reports readiness to read but returned no data"), "is gone; was it unplugged or switched off?"),
        (serial.SerialException("could not open port 'COM3': PermissionError(13, 'x')"), "may not be opened by this user, or is in use by another program"),
        (serial.SerialException("could not open port 'COM3': FileNotFoundError(2, 'x')"), "does not exist; is the device plugged in and switched on?"),
        (serial.SerialException("something new"), "failed: something new"),
        (ValueError(), "failed: ValueError"),
    ],
)  # fmt: skip
def test_explain_says_what_to_do(error: Exception, words: str) -> None:
    """System errors and the library's own texts become one sentence each."""
    found = explain("COM3", error)
    assert isinstance(found, PortError)
    assert (found.port, found.reason) == ("COM3", words)
    assert str(found) == f"port COM3: {words}"


def test_explain_permission_names_the_group_of_the_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The user learns which group to join, and how."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    monkeypatch.setattr(grp, "getgrgid", lambda _number: grp.struct_group(("dialout", "x", 20, [])))
    monkeypatch.setenv("USER", "inspector")
    found = explain(str(device), PermissionError(errno.EACCES, "no"))
    assert found.reason == (
        "may only be opened by members of the group 'dialout';"
        " run 'sudo usermod -aG dialout inspector' and log in again"
    )


def test_open_port_that_is_no_serial_port_says_so(tmp_path: Path) -> None:
    """A file or a folder is not mistaken for a device."""
    file = tmp_path / "file"
    file.touch()
    for path in (file, tmp_path):
        with pytest.raises(PortError) as caught:
            open_port(PortSettings(url=str(path)))
        assert caught.value.reason == "is not a serial port, or does not know these settings"
