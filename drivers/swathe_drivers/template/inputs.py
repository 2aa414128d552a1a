r"""The same device with two inputs, one for each of two probes: lines such as `#007 2 A 12.41*6F\r\n`.

The number behind that of the line is the input's, as the device itself numbers it. A station's `[[probe]]`
names it. Delete this file and its tests if your device has one probe.
"""

import re
from typing import Final

from swathe_drivers.template.driver import ExampleDecoder, ExampleDriver, Row

LINE_OF_INPUTS: Final = re.compile(
    rb"#(?P<number>[0-9]{3}) (?P<input>[12]) (?P<state>[AV]) (?P<value>[0-9]{2}\.[0-9]{2})"
    rb"\*(?P<sum>[0-9A-F]{2})"
)


class ExampleInputsDecoder(ExampleDecoder):
    """Decodes lines of two inputs.

    Attributes:
        inputs: the numbers that `probe` may be; a station may name no other.
    """

    inputs: Final[tuple[int, ...]] = (1, 2)
    line = LINE_OF_INPUTS

    def _fields(self, found: re.Match[bytes]) -> Row:
        """Return the input as well: each reading has that of its own line."""
        return super()._fields(found) | {"probe": int(found["input"])}


class ExampleInputsDriver(ExampleDriver):
    """What an entry point of this driver would name."""

    def decoder(self, *, ns_per_byte: int) -> ExampleInputsDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` on the line."""
        return ExampleInputsDecoder(self._settings, ns_per_byte=ns_per_byte)
