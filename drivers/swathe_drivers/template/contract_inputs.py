"""The contract of `swathe_drivers.testing` over the driver of two inputs."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np

from swathe_drivers.abc import Driver
from swathe_drivers.template.inputs import ExampleInputsDriver
from swathe_drivers.testing import DriverContract


class TestExampleInputs(DriverContract):
    """Lines with number, input, status and thickness."""

    driver: ClassVar[str | type[Driver]] = ExampleInputsDriver
    settings: ClassVar[Mapping[str, Any]] = {}
    records: ClassVar[Sequence[bytes]] = (
        b"#007 1 A 12.41*6C\r\n",
        b"#008 2 A 03.20*67\r\n",
        b"#009 1 V 03.20*72\r\n",
        b"#999 2 A 07.50*65\r\n",
        b"#000 1 A 07.51*6E\r\n",
    )
    values: ClassVar[Sequence[Mapping[str, Any]]] = (
        {"sequence": 7, "probe": 1, "valid": True, "thickness": 12.41},
        {"sequence": 8, "probe": 2, "valid": True, "thickness": 3.2},
        {"sequence": 9, "probe": 1, "valid": False, "thickness": np.nan},
        {"sequence": 999, "probe": 2, "valid": True, "thickness": 7.5},
        {"sequence": 0, "probe": 1, "valid": True, "thickness": 7.51},
    )
    garbage: ClassVar[bytes] = b"BATTERY LOW\r\n"
    damaged: ClassVar[Sequence[bytes]] = (
        b"#007 3 A 12.41*6E\r\n",  # an input that there is not
        b"#007 A 12.41*7D\r\n",  # none
    )
