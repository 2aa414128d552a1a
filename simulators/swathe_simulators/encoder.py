"""Counts of an encoder, from the position of the probe."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swathe_simulators.base import Floats, Ints
from swathe_simulators.device_models import AxisModel


def counts(axis: AxisModel, position: Floats) -> Ints:
    """Return floor(position · counts_per_mm · sign + preset), counts after quadrature.

    Args:
        axis: the encoded axis.
        position: mm, shape (n,), with whatever the wheel has slipped already taken off.
    """
    exact = position * (axis.counts_per_mm * axis.sign) + axis.preset
    return np.floor(exact).astype(np.int64)


def as_sent(values: Ints, bits: int | None) -> Ints:
    """Return counts as the counter sends them: unsigned in `bits`, or signed if None."""
    return values if bits is None else values & ((1 << bits) - 1)


def axis_columns(
    axes: Sequence[AxisModel], bits: int | None, scan: Floats, index: Floats
) -> tuple[list[Ints], list[Ints]]:
    """Return the counts of all axes: without roll-over, and as sent; shape (n,) each."""
    positions = {"scan": scan, "index": index}
    whole = [counts(axis, positions[axis.axis]) for axis in axes]
    return whole, [as_sent(column, bits) for column in whole]
