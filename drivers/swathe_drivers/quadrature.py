"""Quadrature: the two lines of an incremental encoder, a quarter of a period apart.

All four edges of a period are counted. A step in which both lines changed at once may have gone
either way: it is counted as an error and moves nothing.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

STEPS: Final = np.array([0, 1, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 0, -1, 1, 0], np.int64)
"""Step for each `before << 2 | now`, states being 2 * A + B; which way is up is a convention."""

INVALID: Final = np.isin(np.arange(16), (3, 6, 9, 12))
"""Where both lines changed at once."""


class QuadratureCounter:
    """Counts the edges of one axis.

    Attributes:
        counts: since the start.
        errors: steps in which both lines changed at once.
    """

    def __init__(self) -> None:
        self.counts = 0
        self.errors = 0
        self._last: int | None = None

    def count(self, states: NDArray[np.int64]) -> NDArray[np.int64]:
        """Counts after each of `states` (0 to 3), shape as given; call in the stream's order."""
        if not states.size:
            return states
        before = int(states[0]) if self._last is None else self._last
        steps = np.concatenate(([before], states[:-1])) << 2 | states
        self.errors += int(np.count_nonzero(INVALID[steps]))
        counts = self.counts + np.cumsum(STEPS[steps])
        self.counts, self._last = int(counts[-1]), int(states[-1])
        return np.asarray(counts, np.int64)
