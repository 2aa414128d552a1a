"""Counts per mm from rolls of known length."""

from __future__ import annotations

import math

import pytest

from swathe.calibration.encoder_scale import scale_of_rolls


def test_scale_of_three_rolls_by_hand() -> None:
    """Worked out by hand: scale, standard error, each roll and their spread in percent."""
    found = scale_of_rolls([100.0, 100.0, 200.0], [990.0, 1010.0, 2000.0])
    assert found.counts_per_mm == pytest.approx(10.0)
    # Residuals -10, 10 and 0; s² = 200 / 2; the sum of the squared lengths is 60000.
    assert found.error == pytest.approx(10 / math.sqrt(60_000))
    assert found.each == pytest.approx((9.9, 10.1, 10.0))
    assert found.spread == pytest.approx(2.0)


def test_scale_of_a_longer_roll_weighs_more() -> None:
    """A long roll counts by its length squared."""
    found = scale_of_rolls([100.0, 300.0], [1100.0, 3000.0])
    assert found.counts_per_mm == pytest.approx((100 * 1100 + 300 * 3000) / (100**2 + 300**2))


def test_scale_of_a_reversed_encoder_is_negative() -> None:
    """Counts that fall give a negative scale and a spread above zero."""
    found = scale_of_rolls([100.0, 100.0, 200.0], [-990.0, -1010.0, -2000.0])
    assert found.counts_per_mm == pytest.approx(-10.0)
    assert found.spread == pytest.approx(2.0)


def test_scale_of_a_single_roll_has_no_error() -> None:
    """One roll gives a scale; how well it is known takes a second."""
    found = scale_of_rolls([250.0], [-1000.0])
    assert (found.counts_per_mm, found.each, found.spread) == (-4.0, (-4.0,), 0.0)
    assert math.isnan(found.error)


@pytest.mark.parametrize(
    ("lengths", "counts", "text"),
    [
        ([], [], "at least one roll is needed"),
        ([100.0], [], "at least one roll is needed"),
        ([100.0, 100.0], [10.0], "at least one roll is needed"),
        ([0.0], [10.0], "rolled lengths must be > 0 mm"),
        ([100.0, -100.0], [10.0, 10.0], "rolled lengths must be > 0 mm"),
        ([math.nan], [10.0], "rolled lengths must be > 0 mm"),
        ([100.0, math.inf], [10.0, 10.0], "rolled lengths must be > 0 mm"),
        ([100.0, 100.0], [10.0, 0.0], "the counter did not move on one of the rolls"),
    ],
)
def test_rolls_that_give_no_scale_are_refused(
    lengths: list[float], counts: list[float], text: str
) -> None:
    """Every roll has a length above zero and counts."""
    with pytest.raises(ValueError, match=text):
        scale_of_rolls(lengths, counts)
