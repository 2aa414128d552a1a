"""Results of a calibration keep what they were made with."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from daemon.calibration.blocks import STEEL, read
from swathe.calibration import (
    MATERIALS,
    TEMPERATURE_COEFFICIENTS,
    Component,
    Stability,
    combine,
    fit_line,
    solve_steps,
)
from swathe.calibration.contradictions import StepTable
from swathe.calibration.encoder_scale import scale_of_rolls
from swathe.calibration.step_fit import Covariance

STEPS = read(STEEL, (5.0, 15.0), sd=0.002, readings=4)
TABLE = StepTable(
    steps=STEPS, separation=0.0, velocity=None, zero_offset=None, resolution=0.0, plausible=None
)
RESULTS: list[Any] = [
    STEEL,
    STEPS[0],
    solve_steps(STEPS),
    TABLE,
    TABLE.fit(),
    Covariance(zero=1.0, slope=1.0, both=0.0),
    fit_line([0.0, 1.0], [0.0, 1.0]),
    Stability(window=3, tolerance=0.02).state,
    MATERIALS["nickel"],
    TEMPERATURE_COEFFICIENTS["steel 1018"],
    Component(name="a", standard_uncertainty=1.0),
    combine([]),
    scale_of_rolls([100.0], [400.0]),
]


@pytest.mark.parametrize("result", RESULTS, ids=lambda result: type(result).__name__)
def test_result_is_not_changed_after_it_is_made(result: Any) -> None:
    """No field is set again."""
    for field in dataclasses.fields(result):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(result, field.name, getattr(result, field.name))
