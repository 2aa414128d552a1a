"""Heights of echoes in dB."""

from __future__ import annotations

import math

import pytest

from swathe.echo import deviation_db


@pytest.mark.parametrize(
    ("measured", "reference", "db"),
    [
        # Common pairs of heights and gains in ultrasonic testing: half is -6 dB, a tenth -20 dB,
        # and 80 % to 40 %, 20 % the steps of -6 dB and -12 dB of linearity checks (ISO 22232-1).
        (80.0, 80.0, 0.0),
        (40.0, 80.0, -6.0206),
        (20.0, 80.0, -12.0412),
        (8.0, 80.0, -20.0),
        (100.0, 80.0, 1.9382),
    ],
)
def test_deviation(measured: float, reference: float, db: float) -> None:
    """Amplitudes are compared by 20 times the decimal logarithm of their ratio."""
    assert deviation_db(measured, reference) == pytest.approx(db, abs=1e-4)


@pytest.mark.parametrize("height", [0.0, -1.0, math.nan, math.inf])
def test_heights_that_are_none(height: float) -> None:
    """No echo has no level."""
    with pytest.raises(ValueError, match="'measured' must be > 0"):
        deviation_db(height, 80.0)
    with pytest.raises(ValueError, match="'reference' must be > 0"):
        deviation_db(80.0, height)
