"""What rounding leaves."""

from __future__ import annotations

import itertools
import math

from swathe.calibration import rounding_uncertainty


def test_rounding_without_scatter_is_rectangular() -> None:
    """A quiet reading shows the same digit every time; so does one that nobody repeated."""
    for quiet in (0.0, 0.28, math.nan):  # 0.28 is less than the rounding's own scatter, 0.2887
        assert rounding_uncertainty(1.0, quiet) == 1 / math.sqrt(12)


def test_rounding_with_scatter_is_averaged() -> None:
    """It falls as the scatter rises, without a jump, and is gone at a step's width."""
    found = [rounding_uncertainty(2.0, 2.0 * sd / 100) for sd in range(28, 140)]
    assert found == sorted(found, reverse=True)
    assert max(a - b for a, b in itertools.pairwise(found)) < 0.2
    assert found[-1] == 0.0


def test_rounding_of_no_digit_is_none() -> None:
    """Times that are not rounded have nothing to average."""
    assert rounding_uncertainty(0.0, 0.0) == 0.0
