"""Statistics in pieces, against numpy and a published data set."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.errors import SwatheError
from swathe.evaluation import Tally


def tally_of(*pieces: np.ndarray) -> Tally:
    """Return the tally of pieces."""
    tally = Tally()
    for piece in pieces:
        tally.add(piece)
    return tally


@given(st.integers(0, 10_000), st.lists(st.integers(0, 500), max_size=6))
def test_statistics_are_those_of_numpy_however_cut(seed: int, cuts: list[int]) -> None:
    """Mean, deviation, extremes, percentiles and histogram; the pieces change no bit of them."""
    values = np.random.default_rng(seed).normal(12, 1.5, 500).astype(np.float32)
    found = tally_of(values).statistics()
    assert found is not None
    pieces = [piece for piece in np.split(values, sorted(cuts)) if piece.size]
    again = tally_of(*pieces[::-1]).statistics()
    assert again is not None
    assert repr(again) == repr(found)
    exact = values.astype(float)
    assert found.cells == 500
    assert found.mean == pytest.approx(exact.mean(), abs=1e-6)
    assert found.standard_deviation == pytest.approx(exact.std(ddof=1), abs=1e-6)
    assert (found.minimum, found.maximum) == (exact.min(), exact.max())
    for share, value in found.percentiles.items():
        assert value == pytest.approx(np.percentile(exact, share), abs=0.0005001)
    bins = found.histogram
    borders = bins.low + bins.width * np.arange(bins.counts.size + 1)
    rounded = np.round(exact, 3)
    np.testing.assert_array_equal(bins.counts, np.histogram(rounded + 1e-7, bins=borders)[0])
    assert bins.counts.sum() == 500
    assert bins.counts.size <= 20


def test_deviation_of_nist_numacc4_is_exact() -> None:
    """NIST StRD NumAcc4 less 10,000,000 mm, which no wall has: mean 0.2, deviation 0.1, n 1001.

    NIST StRD univariate; float32 has the values to 2e-8.
    """
    values = np.array([0.2] + 500 * [0.1, 0.3], np.float32) + np.float32(0)
    found = tally_of(values).statistics()
    assert found is not None
    assert found.mean == pytest.approx(0.2, abs=1e-9)
    assert found.standard_deviation == pytest.approx(0.1, abs=1e-9)


def test_thick_walls_widen_the_bins_alike_in_any_order() -> None:
    """Beyond a metre the resolution is coarser, and stated."""
    values = np.random.default_rng(3).uniform(1, 5000, 99).astype(np.float32)
    found, turned = (tally_of(*pieces).statistics() for pieces in ((values,), values[::-1, None]))
    assert found is not None
    assert repr(found) == repr(turned)
    assert found.resolution == 0.008
    for share, value in found.percentiles.items():
        assert value == pytest.approx(np.percentile(values, share), abs=found.resolution / 2 + 1e-3)


def test_one_cell_has_no_deviation_and_none_has_no_statistics() -> None:
    """Nothing is stated that the cells do not carry."""
    assert Tally().statistics() is None
    found = tally_of(np.array([7.25], np.float32)).statistics()
    assert found is not None
    assert found.standard_deviation is None
    assert found.percentiles[50.0] == 7.25


@pytest.mark.parametrize("value", [-0.5, 60_001.0])
def test_impossible_thickness_is_refused(value: float) -> None:
    """Arrays of a stranger's folder may have anything."""
    with pytest.raises(SwatheError, match=r"which no wall has"):
        tally_of(np.array([10, value], np.float32))


def test_bins_are_joined_from_an_even_one_on() -> None:
    """1.001 and 1.002 mm are in different bins of 0.002 mm, whether the wide value came first or last."""
    values = np.array([1.001, 1.002, 2000.0], np.float32)
    last, first = tally_of(values[:2], values[2:]), tally_of(values[2:], values[:2])
    assert repr(last.statistics()) == repr(first.statistics())
    found = last.statistics([0.0, 50.0])
    assert found is not None
    assert found.resolution == 0.002
    assert found.percentiles[50.0] == pytest.approx(1.0025)
