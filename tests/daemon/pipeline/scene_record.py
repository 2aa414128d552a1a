"""The calibration record of a scene: 6 mm/µs and 0.5 µs, on two steps."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from swathe.calibration import (
    BlockRecord,
    InstrumentRecord,
    ProbeRecord,
    StepReading,
    new_record,
    solve_steps,
)

__all__ = ["scene_record"]


def scene_record(
    *,
    steps: tuple[float, ...] = (5.0, 25.0),
    velocity: float = 6.0,
    zero: float = 0.5,
    probe: str = "P",
    serial: str = "1",
) -> dict[str, Any]:
    """Return a record as a journal holds it; nothing in a scene is thicker than its thickest step.

    Args:
        steps: of the block, mm.
        velocity: mm/µs.
        zero: zero offset, µs.
        probe: name of the probe, and
        serial: its serial number.
    """
    read = [
        StepReading(
            thickness=wall, time_of_flight=zero + 2 * wall / velocity, sd=0.002, readings=20
        )
        for wall in steps
    ]
    made = new_record(
        solve_steps(read),
        time=datetime(2026, 11, 25, 8, 30, tzinfo=UTC),
        by="K",
        procedure="",
        material="",
        block=BlockRecord(name="B-7", serial="44", temperature_degC=21.0),
        probe=ProbeRecord(name=probe, serial=serial, diameter_mm=6.35, frequency_MHz=5.0),
        couplant="gel",
        instrument=InstrumentRecord(name="I", serial="2"),
    )
    return made.model_dump(mode="json")
