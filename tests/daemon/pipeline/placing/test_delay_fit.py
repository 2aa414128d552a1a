"""The regression behind the delay's interval: variance by clusters, columns, weights."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.delay_fit import (
    Differences,
    _distinct_columns,
    _jackknife,
    _weights,
)


def test_variance_of_even_clusters_is_that_of_their_mean() -> None:
    """For g clusters of the same information the jackknife is the variance of a mean of g numbers.

    Its degrees of freedom are g - 1 (Bell & McCaffrey 2002).
    """
    values = np.array([1.0, -2.0, 0.5, 3.0, -2.5])
    parts = np.full((5, 1, 1), 2.0)
    variance, dof = _jackknife(2.0 * values[:, None], parts, parts)
    assert variance == pytest.approx(np.var(values, ddof=1) / 5)
    assert dof == pytest.approx(4.0)


def test_degrees_of_freedom_follow_the_information_of_clusters() -> None:
    """One cluster that decides leaves about one degree of freedom, whatever the others are."""
    parts = np.array([100.0, 1.0, 1.0, 1.0, 1.0, 1.0])[:, None, None]
    score = np.array([0.1, -0.5, 0.2, 0.4, -0.1, -0.1])[:, None]
    _, dof = _jackknife(score, parts, parts)
    assert 1.0 <= dof < 1.2
    _, even = _jackknife(score, np.full((6, 1, 1), 1.0), np.full((6, 1, 1), 1.0))
    assert even == pytest.approx(5.0)


def test_variance_follows_what_passes_have_in_common() -> None:
    """Slopes that are noise are no response: the same scores mean a larger error."""
    score = np.array([1.0, -2.0, 0.5, 3.0, -2.5])[:, None]
    parts = np.full((5, 1, 1), 2.0)
    whole, _ = _jackknife(score, parts, parts)
    half, _ = _jackknife(score, parts, parts / 2)
    assert half == pytest.approx(4 * whole)


def test_cluster_that_has_everything_leaves_no_variance_known() -> None:
    """Without it there is nothing to compare with."""
    parts = np.array([1.0, 0.0])[:, None, None]
    variance, dof = _jackknife(np.zeros((2, 1)), parts, parts)
    assert (variance, dof) == (np.inf, 0.0)


@pytest.mark.parametrize(
    ("across", "backlash", "columns"),
    [
        ([1, 1], [1, -1], [0, 1]),  # slant shifts all alike, the delay by turns
        ([1, -1], [1, -1], [0]),  # slant as the delay: one pair, or lines run the same way each
        ([0, 0], [1, -1], [0]),  # one line
        ([0, 0], [3, -0.4], [0, 2]),  # speeds that differ
    ],
)
def test_columns_are_fitted_if_they_are_distinct(
    across: list[float], backlash: list[float], columns: list[int]
) -> None:
    """A column that is nearly another one cannot be fitted with it."""
    slope = np.random.default_rng(0).normal(size=(2, 50))
    shifts = np.array([[1.0, -1.0], across, backlash])
    design = shifts[:, :, None] * slope
    assert _distinct_columns(design, np.ones((2, 50))) == columns


def differences(apart: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> Differences:
    """Return differences of a wall with slopes all along."""
    ones = np.ones_like(apart)
    return Differences(apart, ones, ones, ones, -ones, np.ones(apart.shape, np.bool_))


def test_pit_on_one_line_has_little_weight() -> None:
    """Where passes differ far more than elsewhere they count less, all others fully."""
    apart = 0.1 * np.sin(np.arange(400.0))[None, :]
    even = _weights(differences(apart), np.ones_like(apart))
    assert even.min() > 0.9
    apart[0, 200:220] += 5.0
    weight = _weights(differences(apart), np.ones_like(apart))
    assert weight[0, 205:215].max() < 0.2
    assert weight[0, :100].min() > 0.9
