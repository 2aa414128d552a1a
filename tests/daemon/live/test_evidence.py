"""What a fault of the crawler rests on: value, limit and likely cause."""

from __future__ import annotations

import pytest

from swathe.display_units import INCHES, MILLIMETRES
from swathe.live.crawl.evidence import Evidence, GuardFault, likely_cause
from swathe.motion import Event


@pytest.mark.parametrize(
    ("motor", "encoder", "begin"),
    [
        (10.0, 0.0, "the motor is stalled"),
        (10.0, 0.9, "the motor is stalled"),
        (-10.0, -0.9, "the motor is stalled"),
        (10.0, 1.1, "wheel slip: the encoder moved 11 %"),
        (-10.0, -6.1, "wheel slip: the encoder moved 61 %"),
        (10.0, 9.7, "wheel slip: the encoder moved 97 %"),
        (10.0, 9.9, "the crawler slides ahead"),
        (10.0, 14.0, "the crawler slides ahead"),
        (10.0, -2.0, "the encoder counts the other way round"),
        (0.0, 5.0, "the probe moves while the motor rests"),
        (0.4, 0.4, ""),
    ],
)
def test_likely_cause_follows_from_both_ways(motor: float, encoder: float, begin: str) -> None:
    """Wheels that slip turn the encoder less than the motor, a stalled motor not at all."""
    assert likely_cause(motor, encoder).startswith(begin)
    assert bool(likely_cause(motor, encoder)) is bool(begin)


def test_fault_has_value_limit_and_cause_in_the_units_of_the_station() -> None:
    """The limit is written in the unit of lengths; a time in ms."""
    fault = GuardFault(Event.DISAGREEMENT, "5.0 mm apart", Evidence(5.0, 4.0, "mm", "wheel slip"))
    assert fault.text(MILLIMETRES) == "5.0 mm apart, limit 4.0 mm; likely: wheel slip"
    assert "limit 0.157 in" in fault.text(INCHES) or "limit 0.16 in" in fault.text(INCHES)
    silent = GuardFault(Event.ENCODER_SILENT, "silent for 1,210 ms", Evidence(1210, 1200, "ms"))
    assert silent.text(INCHES) == "silent for 1,210 ms, limit 1,200 ms"
    assert GuardFault(Event.PORT_LOST, "gauge: unplugged").text(INCHES) == "gauge: unplugged"
