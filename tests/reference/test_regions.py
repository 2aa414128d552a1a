"""Regions of missing cells against `scipy.ndimage.label` (scipy 1.17.1) and its documentation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from swathe.pipeline.cells.regions import label_regions


def test_example_of_scipys_documentation() -> None:
    """The documentation's field has four regions of cells that share a side."""
    field = np.array(
        [
            [0, 0, 1, 1, 0, 0],
            [0, 0, 0, 1, 0, 0],
            [1, 1, 0, 0, 1, 0],
            [0, 0, 0, 1, 0, 0],
        ]
    )
    labels = label_regions(np.flatnonzero(field), field.shape)
    assert labels.tolist() == [0, 0, 0, 1, 1, 2, 3]


@pytest.mark.parametrize("share", [0.2, 0.5, 0.6, 0.8])
@pytest.mark.parametrize("seed", range(5))
def test_random_fields_agree_with_scipy(seed: int, share: float) -> None:
    """Random fields of 80 by 120 cells fall into scipy's very regions, in the same order."""
    field = np.random.default_rng(seed).random((80, 120)) < share
    labelled, count = ndimage.label(field)
    cells = np.flatnonzero(field)
    labels = label_regions(cells, (80, 120))
    assert labels.max() + 1 == count
    assert np.array_equal(labels, labelled.ravel()[cells] - 1)
