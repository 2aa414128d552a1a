"""What is doubtful about a reading or a cell, as bits.

Readings carry their bits in the column ``flags`` of the dtype `swathe_drivers.READING`; a driver
leaves it 0. A stage of the pipeline sets a bit where it knows the reason, before the readings are
placed, in place: ``readings["flags"][rows] |= ReadingFlag.CLIPPED``. From there on the column goes
with the readings as any other does, and `Grid.add` puts it into the cells.

The layer ``quality`` of the grid, of the zarr store and of the Dataset has for each cell:

- `READING_BITS` of the reading that represents the cell; by the rule ``mean`` those of all its
  readings. `IMPOSSIBLE` only where the cell has no valid reading.
- `CELL_BITS`, which follow from the cell's value and those around it (`pipeline/spurious`).
"""

from __future__ import annotations

from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CELL_BITS",
    "READING_BITS",
    "SPURIOUS_BITS",
    "ReadingFlag",
    "are_unconfirmed",
    "flag_attributes",
    "flag_names",
]


class ReadingFlag(IntFlag):
    """A reason to doubt a thickness, or its confirmation; a bit of a uint16."""

    DOUBLED = 1
    """Twice the wall around it, or twice the nominal thickness: the second echo of a thin wall."""
    HALVED = 2
    """Half the wall around it."""
    CYCLE_SKIP = 4
    """One period of the probe's frequency thicker or thinner than the wall around it."""
    LONE_LOW = 8
    """Thinner than all that was read around it, and read once."""
    LONE_HIGH = 16
    """Thicker than all that was read around it, and read once."""
    IMPOSSIBLE = 32
    """Beyond the limits of what the part can have; it counts as no echo."""
    OUTSIDE_CALIBRATION = 64
    """Thinner or thicker than the steps on which the calibration rests."""
    AMBIGUOUS = 128
    """The A-scan has a second candidate for the measured point."""
    CLIPPED = 256
    """The echo is higher than the instrument can show."""
    CONFIRMED = 512
    """What is doubted was confirmed: by another pass of the probe, or by a person."""


READING_BITS = (
    ReadingFlag.IMPOSSIBLE
    | ReadingFlag.OUTSIDE_CALIBRATION
    | ReadingFlag.AMBIGUOUS
    | ReadingFlag.CLIPPED
)
"""Bits that belong to a single reading."""

CELL_BITS = (
    ReadingFlag.DOUBLED
    | ReadingFlag.HALVED
    | ReadingFlag.CYCLE_SKIP
    | ReadingFlag.LONE_LOW
    | ReadingFlag.LONE_HIGH
    | ReadingFlag.CONFIRMED
)
"""Bits that follow from a cell and the cells around it."""

SPURIOUS_BITS = CELL_BITS & ~ReadingFlag.CONFIRMED
"""Bits that say that a cell's value may be spurious."""

_DOUBTFUL = np.uint16(SPURIOUS_BITS | ReadingFlag.AMBIGUOUS)
_CONFIRMED = np.uint16(ReadingFlag.CONFIRMED)


def are_unconfirmed(quality: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Return where a value is doubtful and nothing confirms it, shape as the layer ``quality``.

    A value outside the calibrated range, or of a clipped echo, was measured: it is no doubt about
    the wall that a second reading would remove.
    """
    return np.asarray(((quality & _DOUBTFUL) > 0) & ((quality & _CONFIRMED) == 0))


def flag_names(flags: int) -> tuple[str, ...]:
    """Return the names of the bits that are set, in lower case, by rising bit."""
    return tuple(flag.name.lower() for flag in ReadingFlag if flags & flag and flag.name)


def flag_attributes() -> dict[str, Any]:
    """Return `flag_masks` and `flag_meanings` of the bits (CF conventions 1.11, section 3.5)."""
    return {
        "flag_masks": [int(flag) for flag in ReadingFlag],
        "flag_meanings": " ".join(flag_names(sum(ReadingFlag))),
    }
