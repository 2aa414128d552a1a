r"""For authors of drivers: the contract that every driver keeps, as tests to inherit.

Needs pytest. In a test module of your own::

    from swathe_drivers.testing import DriverContract

    class TestMyDriver(DriverContract):
        driver = "my_device"                      # the name of its entry point, or the class
        settings = {"unit": "mm"}
        records = (b"12.5\r\n", b"12.6\r\n", b"--.-\r\n")
        values = (
            {"thickness": 12.5, "valid": True},
            {"thickness": 12.6, "valid": True},
            {"thickness": float("nan"), "valid": False},
        )
        garbage = b"\xff\xfe\r\n"
        checksum = False                          # the protocol has none

`swathe driver new NAME` writes a package with a driver that passes it.
"""

import pytest

pytest.register_assert_rewrite(
    "swathe_drivers.testing.contract",
    "swathe_drivers.testing.feeding",
    "swathe_drivers.testing.meaning",
    "swathe_drivers.testing.over_ports",
)

from swathe_drivers.testing.contract import DriverContract  # noqa: E402
from swathe_drivers.testing.ends import FarEnd, MemoryEnd, TcpEnd, TerminalEnd  # noqa: E402
from swathe_drivers.testing.leaks import nothing_left_behind  # noqa: E402

__all__ = [
    "DriverContract",
    "FarEnd",
    "MemoryEnd",
    "TcpEnd",
    "TerminalEnd",
    "nothing_left_behind",
]
