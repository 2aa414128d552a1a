"""What readings are known by while they wait: the probe, and the byte offset in its device's stream."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints

__all__ = ["ALL", "keys_of", "oldest_offsets", "rows_before"]

ALL = int(np.iinfo(np.int64).max)
"""In place of a byte offset: none of the probe's readings waits."""

_PROBE_SHIFT = 48


def keys_of(readings: NDArray[Any]) -> Ints:
    """Return a key of each reading, of its own among those of all probes in a run, shape (n,).

    Keys of one probe rise with the byte offset; several readings of one record are of several probes.
    """
    probe = readings["probe"].astype(np.int64)
    return np.asarray((probe << _PROBE_SHIFT) | readings["offset"])


def oldest_offsets(parts: Iterable[NDArray[Any]], probes: int) -> Ints:
    """Return the lowest byte offset of each probe's readings in all parts, shape (probes,).

    `ALL` where there is none.
    """
    oldest = np.full(probes, ALL)
    for readings in parts:
        if not readings.size:
            continue
        if probes == 1:
            oldest[0] = min(int(oldest[0]), int(readings["offset"].min()))
        else:
            np.minimum.at(oldest, readings["probe"], readings["offset"])
    return oldest


def rows_before(keys: Ints, before: Ints) -> NDArray[np.bool_]:
    """Return which keys are of readings before the oldest offset of their probe, shape (n,).

    Those of no probe, too: nothing becomes of them.
    """
    probe = keys >> _PROBE_SHIFT
    limits = np.append(before, ALL)[np.minimum(probe, before.size)]
    return np.asarray((keys & ((1 << _PROBE_SHIFT) - 1)) < limits)
