"""Counts follow the place of the probe."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe_simulators.device import as_sent, axis_columns, counts
from swathe_simulators.device_models import AxisModel


@pytest.mark.parametrize("sign", [1, -1])
def test_counts_floor_of_place(sign: int) -> None:
    """Counts are floor(place · counts_per_mm · sign + preset), computed one by one."""
    axis = AxisModel.model_validate(
        {"axis": "scan", "counts_per_mm": 26.07, "sign": sign, "preset": 500}
    )
    positions = np.linspace(-40, 940, 977)
    expected = [math.floor(position * 26.07 * sign + 500) for position in positions.tolist()]
    assert counts(axis, positions).tolist() == expected


def test_as_sent_rolls_over_unsigned() -> None:
    """A counter of 16 bits shows the low 16 bits, never a sign."""
    values = np.array([-1, 0, 65535, 65536, 65537])
    assert as_sent(values, 16).tolist() == [65535, 0, 65535, 0, 1]
    assert as_sent(values, None).tolist() == values.tolist()


def test_axis_columns_two_axes_in_order() -> None:
    """Scan and index have counts of their own, in the order of the model."""
    axes = [
        AxisModel(axis="scan", counts_per_mm=10),
        AxisModel(axis="index", counts_per_mm=40, preset=-3),
    ]
    whole, sent = axis_columns(axes, 24, np.array([1.0, -0.1]), np.array([8.0, 0.0]))
    assert [column.tolist() for column in whole] == [[10, -1], [317, -3]]
    assert [column.tolist() for column in sent] == [[10, 2**24 - 1], [317, 2**24 - 3]]
