"""The contract of `swathe_drivers.testing` over this package's driver.

Take records from your device's manual or a capture, and write down what its display showed.
"""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np

from swathe_drivers.abc import Driver
from swathe_drivers.template.driver import ExampleDriver
from swathe_drivers.testing import DriverContract


class TestExample(DriverContract):
    """Lines with number, status and thickness."""

    driver: ClassVar[str | type[Driver]] = ExampleDriver
    settings: ClassVar[Mapping[str, Any]] = {}
    records: ClassVar[Sequence[bytes]] = (
        b"#007 A 12.41*7D\r\n",
        b"#008 A 03.20*75\r\n",
        b"#009 V 03.20*63\r\n",
        b"#010 A 99.99*7D\r\n",
        b"#999 A 07.50*77\r\n",
        b"#000 A 07.51*7F\r\n",
    )
    values: ClassVar[Sequence[Mapping[str, Any]]] = (
        {"sequence": 7, "valid": True, "thickness": 12.41},
        {"sequence": 8, "valid": True, "thickness": 3.2},
        {"sequence": 9, "valid": False, "thickness": np.nan},
        {"sequence": 10, "valid": True, "thickness": 99.99},
        {"sequence": 999, "valid": True, "thickness": 7.5},  # the number starts again behind it
        {"sequence": 0, "valid": True, "thickness": 7.51},
    )
    garbage: ClassVar[bytes] = b"BATTERY LOW\r\n"
    damaged: ClassVar[Sequence[bytes]] = (
        b"#007 A 12.41*7E\r\n",  # another checksum
        b"#007 A 12.41\r\n",  # none
        b"#007 B 12.41*7E\r\n",  # a state that is not in the manual
        b"#007 A  2.41*6C\r\n",  # a value that is none
    )
