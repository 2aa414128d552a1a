"""What may have been read on a step, value by value."""

from __future__ import annotations

import dataclasses
import math

import pytest

from swathe.calibration import CalibrationError, StepReading

STEP = StepReading(thickness=5.08, time_of_flight=1.966, sd=0.04, readings=4)


def test_step_has_defaults_of_a_single_reading() -> None:
    """Neither scatter nor uncertainty of the block is assumed."""
    step = StepReading(thickness=5.0, time_of_flight=1.94)
    assert (step.u_thickness, step.sd, step.readings) == (0.0, 0.0, 1)
    assert STEP.label() == "step 5.08 mm"


@pytest.mark.parametrize(
    "change",
    [
        {"time_of_flight": 0.0},
        {"sd": 0.0},
        {"u_thickness": 0.0},
        {"readings": 1},
        {"thickness": 1e-3},
    ],
)
def test_step_at_its_limits_is_taken(change: dict[str, float]) -> None:
    """Zero is a time, a scatter and an uncertainty; one reading is one."""
    step = dataclasses.replace(STEP, **change)  # type: ignore[arg-type]
    for name, value in change.items():
        assert getattr(step, name) == value


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"thickness": -1.0}, "a step's thickness must be > 0 mm (got -1.0)"),
        ({"thickness": math.nan}, "a step's thickness must be > 0 mm (got nan)"),
        ({"thickness": math.inf}, "a step's thickness must be > 0 mm (got inf)"),
        ({"time_of_flight": math.inf}, "step 5.08 mm: time of flight must be >= 0 µs (got inf)"),
        ({"sd": math.nan}, "step 5.08 mm: standard deviation must be >= 0 µs (got nan)"),
        ({"sd": math.inf}, "step 5.08 mm: standard deviation must be >= 0 µs (got inf)"),
        (
            {"u_thickness": math.nan},
            "step 5.08 mm: uncertainty of its thickness must be >= 0 mm (got nan)",
        ),
        (
            {"u_thickness": math.inf},
            "step 5.08 mm: uncertainty of its thickness must be >= 0 mm (got inf)",
        ),
    ],
)
def test_step_of_what_is_no_number_is_refused(change: dict[str, float], text: str) -> None:
    """NaN and infinity are none of its values."""
    with pytest.raises(CalibrationError) as caught:
        dataclasses.replace(STEP, **change)  # type: ignore[arg-type]
    assert str(caught.value) == text
