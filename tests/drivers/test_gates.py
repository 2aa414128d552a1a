"""Values of two gates of which one is taken off the other, in lines, frames and registers."""

from __future__ import annotations

import numpy as np
import pytest

from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.records import FaultReason
from swathe_drivers.rtu import with_crc

VALUE = '{{ is = "{0}", unit = "mm", gate = "{1}", no_echo = [0]{2} }}'


def lines(*columns: str, gates: str = 'gate = "B"\ngate_minus = "A"') -> str:
    """A description of lines."""
    return f"[protocol]\n{gates}\ncolumns = [{', '.join(columns)}]\n"


def test_difference_is_of_each_input() -> None:
    """Values side by side, each less that of its own input; a status is that of one."""
    columns = [
        VALUE.format("thickness", gate, f", probe = {probe}") for probe in (1, 2) for gate in "AB"
    ]
    columns.append('{ is = "status", valid = ["V"], invalid = ["N"], probe = 2 }')
    decoder = parse_description(lines(*columns), "x").decoder(ns_per_byte=0)
    readings = decoder.feed(b"2,12,3,14,V\r\n2,12,3,14,N\r\n0,12,3,14,V\r\n", 0).readings
    np.testing.assert_array_equal(readings["thickness"], [10.0, 11.0, 10.0, np.nan, np.nan, 11.0])
    assert readings["valid"].tolist() == [True, True, True, False, False, True]


def test_limits_and_held_values_are_of_the_gate_that_counts() -> None:
    """`min` and `max` are of each gate's own value, held values of the difference."""
    columns = [
        VALUE.format("thickness", "A", ", max = 5, held_after = 2"),
        VALUE.format("thickness", "B", ", held_after = 3"),
    ]
    decoder = parse_description(lines(*columns), "x").decoder(ns_per_byte=0)
    assert dict(decoder.held_after) == {"thickness": 3}
    batch = decoder.feed(b"6,12\r\n5,12\r\n5,4\r\n4,4\r\n", 0)
    assert batch.readings["thickness"].tolist() == [7.0]
    assert dict(batch.n_faults) == {FaultReason.OUT_OF_RANGE: 3}
    details = [fault.detail for fault in batch.faults]
    assert "thickness of gate A" in details[0]
    assert details[1] == "the thickness of 'gate' is not above that of 'gate_minus'"


def test_difference_in_registers() -> None:
    """The same keys; a request reads both."""
    field = '{{ is = "time_of_flight", unit = "ns", gate = "{0}", register = {1}, type = "uint16", absent = [0] }}'
    text = (
        'driver = "modbus"\n[protocol]\ngate = "B"\ngate_minus = "A"\n[[protocol.reads]]\n'
        f"fields = [{field.format('A', 0)}, {field.format('B', 1)}]\n"
    )
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    answers = [with_crc(bytes.fromhex(one)) for one in ("010304 7D00 8D9A", "010304 0000 8D9A")]
    readings = decoder.feed(b"".join(answers), 0).readings
    np.testing.assert_array_equal(readings["time_of_flight"], [4.25, np.nan])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (lines(VALUE.format("thickness", "B", "")),
         "'protocol.columns' must have the same values of the gates 'B' and 'A', as one is taken off the other"),
        (lines(VALUE.format("thickness", "B", ""), VALUE.format("thickness", "A", ""), gates='gate_minus = "A"'),
         "'protocol.gate_minus' must be left out without 'gate', whose values it is taken off"),
        (lines(VALUE.format("thickness", "B", ""), gates='gate = "B"\ngate_minus = "B"'),
         "'protocol.gate_minus' must be another gate than 'gate'"),
    ],
)  # fmt: skip
def test_difference_that_is_none_is_refused(text: str, message: str) -> None:
    """With the key, and what is wrong."""
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert message in str(caught.value)
