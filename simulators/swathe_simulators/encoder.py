"""Counts of an encoder, from the place of the probe."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from swathe_simulators.device_models import AxisModel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def counts(axis: AxisModel, place: Floats) -> Ints:
    """Return floor(place · counts_per_mm · sign + preset), counts after quadrature.

    Args:
        axis: the encoded axis.
        place: mm, shape (n,), with whatever the wheel has slipped already taken off.
    """
    exact = place * (axis.counts_per_mm * axis.sign) + axis.preset
    return np.floor(exact).astype(np.int64)


def as_sent(values: Ints, bits: int | None) -> Ints:
    """Return counts as the counter sends them: unsigned in `bits`, or signed if None."""
    return values if bits is None else values & ((1 << bits) - 1)


def axis_columns(
    axes: Sequence[AxisModel], bits: int | None, scan: Floats, index: Floats
) -> tuple[list[Ints], list[Ints]]:
    """Return the counts of all axes: without roll-over, and as sent; shape (n,) each."""
    places = {"scan": scan, "index": index}
    whole = [counts(axis, places[axis.axis]) for axis in axes]
    return whole, [as_sent(column, bits) for column in whole]
