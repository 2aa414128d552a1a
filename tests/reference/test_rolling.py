"""The scale of rolled lengths against NIST's reference data for a line through the origin."""

from __future__ import annotations

import math

import pytest

from swathe.calibration.encoder_scale import scale_of_rolls


def test_scale_is_nist_noint1() -> None:
    """NIST StRD linear regression data set NoInt1 (y = B1 x, x = 60 … 70, y = 130 … 140).

    Data and certified values from memory; exact rational arithmetic reproduces them.
    """
    found = scale_of_rolls(range(60, 71), range(130, 141))
    assert found.counts_per_mm == pytest.approx(2.07438016528926, rel=1e-13)
    assert found.error == pytest.approx(0.0165289256198347, rel=1e-12)


def test_scale_of_one_roll_has_no_error() -> None:
    """A single roll tells a scale and nothing of its error."""
    found = scale_of_rolls([1000.0], [-26070.0])
    assert found.counts_per_mm == -26.07
    assert math.isnan(found.error)
    assert found.spread == 0.0


@pytest.mark.parametrize(
    ("lengths", "counts", "message"),
    [
        ([], [], "at least one roll is needed"),
        ([100.0], [1.0, 2.0], "at least one roll is needed"),
        ([0.0], [5.0], "must be > 0 mm"),
        ([math.nan], [5.0], "must be > 0 mm"),
        ([100.0, 100.0], [5.0, 0.0], "did not move"),
    ],
)
def test_scale_of_bad_rolls_is_refused(
    lengths: list[float], counts: list[float], message: str
) -> None:
    """What cannot be a roll is refused with the mend."""
    with pytest.raises(ValueError, match=message):
        scale_of_rolls(lengths, counts)
