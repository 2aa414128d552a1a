"""A probe as it is described: values that cannot be are refused."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from swathe.calibration import Probe


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("diameter_mm", math.inf),
        ("diameter_mm", 0.0),
        ("frequency_MHz", math.inf),
        ("frequency_MHz", -5.0),
        ("separation_mm", math.inf),
        ("separation_mm", -1.0),
        ("colour", "red"),
    ],
)
def test_probe_that_cannot_be_is_refused(key: str, value: object) -> None:
    """Neither infinity, nor zero, nor an unknown key makes a probe."""
    whole = {"kind": "dual", "diameter_mm": 10.0, "frequency_MHz": 5.0, "separation_mm": 3.0}
    Probe.model_validate(whole)
    with pytest.raises(ValidationError):
        Probe.model_validate(whole | {key: value})
