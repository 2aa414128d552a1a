"""How an axis that rests for long moves now and then, with a last digit that dithers."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Travels", "quieted", "travels_of"]

_GAP: Final = 3
"""Records without a change that still belong to one travel."""
_FEWEST_CHANGES: Final = 4
_FARTHEST_BAND: Final = 0.02
"""Of the range: a band in which a number counts as resting is no wider."""


@dataclass(frozen=True, slots=True)
class Travels:
    """Stretches in which a number goes one way, record by record.

    Attributes:
        number: how many there are.
        changes: of the number within them.
        share: of all its way, what they make.
        resting: share of the records in which it rests.
        ahead: how far all travels lead, over how far they go: 1 if all go one way.
    """

    number: int
    changes: int
    share: float
    resting: float
    ahead: float

    @property
    def are_motion(self) -> bool:
        """What drifts goes by a digit now and then, and what is set to another number jumps; neither travels."""
        return self.share > 0.8 and self.changes >= 3 * _FEWEST_CHANGES


def quieted(values: NDArray[np.float64], digit: float) -> NDArray[np.float64]:
    """The numbers without the dither of one that rests: each stays until the next is farther than a band.

    Args:
        values: shape (n,).
        digit: the smallest step that is sent.
    """
    steps = np.abs(np.diff(values))
    moved = steps[steps > 0]
    if not moved.size:
        return values
    widest = max(digit, _FARTHEST_BAND * float(np.ptp(values)))
    band = 1.001 * min(max(digit, 1.5 * float(np.median(moved))), widest)
    out = values.copy()
    held = float(values[0])
    for at, value in enumerate(values.tolist()):
        if abs(value - held) > band:
            held = value
        out[at] = held
    return out


def travels_of(values: NDArray[np.float64], digit: float) -> Travels:
    """Return the travels of numbers, shape (n,), of which `digit` is the smallest step."""
    calm = quieted(values, digit)
    steps = np.diff(calm)
    at = np.flatnonzero(steps)
    if not at.size:
        return Travels(0, 0, 0.0, 1.0, 0.0)
    apart = np.flatnonzero((np.diff(at) > _GAP) | (np.diff(np.sign(steps[at])) != 0)) + 1
    number = changes = 0
    way = led = 0.0
    for run in np.split(at, apart):
        if run.size < _FEWEST_CHANGES:
            continue
        number += 1
        changes += int(run.size)
        way += float(np.abs(steps[run]).sum())
        led += float(steps[run].sum())
    whole = float(np.abs(steps).sum())
    # Between two changes of a travel it is on its way.
    moving = sum(min(gap, _GAP) for gap in np.diff(at).tolist()) + 1
    resting = 1.0 - min(1.0, moving / steps.size)
    return Travels(number, changes, way / whole, resting, abs(led) / way if way else 0.0)
