"""Where samples of an encoder are missing, and the probe did not go on as before meanwhile.

Between two samples the position is interpolated. Where lines of an encoder were damaged or lost, the
interval is several times as long as usual, and the probe may have turned in it. Whether it did is not
known, but where it was going is: had it gone on at its speed before, the sample behind would be where that
leads. If that sample is further from there than half a cell, so may the probe have been from the
straight line: no path leads over the interval, and no reading is placed in it.

With the speed u before, the mean speed c over an interval of length T and the speed v after it, the path of
a single turn is up to T·|u-c|·|v-c| / (|u-c| + |v-c|) from the straight line: at most T·|u-c|, whatever v is.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats, Ints, steps_of
from swathe.pipeline.placing.axis_samples import WaitingSamples
from swathe.pipeline.placing.interval import UsualInterval

__all__ = ["MissingSamples"]

# An interval in which at least two samples are missing, in usual ones (our choice): of one, a turn is no
# further from the line than between any two samples of half the rate.
_MISSING: Final = 2.5
# The speed before is that over as long as the interval, so that the width of a count is of no account; this
# long at most.
_LONGEST_NS: Final = 1_000_000_000
_SPREADS: Final = 2  # standard uncertainties of a time


class MissingSamples:
    """Follows the good samples of one axis.

    Args:
        cell: of the axis, mm.
        rounding: width of a count, mm.
    """

    def __init__(self, *, cell: float, rounding: float) -> None:
        self._within = cell / 2 + rounding
        self._rounding = rounding
        self._usual = UsualInterval()
        self._last_usual = 0
        self.begin()

    def begin(self) -> None:
        """Let the next samples have nothing to do with those before: the position was lost or set."""
        self._times: Ints = np.empty(0, np.int64)  # since then
        self._positions: Floats = np.empty(0)

    def turns_before(self, samples: WaitingSamples, positions: Floats, resets: Bools) -> Bools:
        """Return to which of the next samples no straight line leads, shape (n,).

        Args:
            samples: shape (n,).
            positions: of them, mm, shape (n,).
            resets: to which no path leads anyway, shape (n,).
        """
        times = samples.times
        found = np.zeros(times.shape, bool)
        if not times.size:
            return found
        usual = self._usual.follow(times)
        before = np.concatenate(([self._last_usual], usual[:-1]))
        self._last_usual = int(usual[-1])
        first = self._times.size
        all_times = np.concatenate((self._times, times))
        all_positions = np.concatenate((self._positions, positions))
        spans = steps_of(all_times, all_times[0])[first:]
        begin = 0
        for k in np.flatnonzero(resets | ((spans > _MISSING * before) & (before > 0))).tolist():
            at = first + k  # few: where lines were damaged
            if not resets[k]:
                late = int(samples.smear[k]) + _SPREADS * int(samples.uncertainty[k])
                found[k] = self._may_have_turned(
                    all_times[begin : at + 1], all_positions[begin : at + 1], late
                )
            if resets[k] or found[k]:
                begin = at
        begin = max(
            begin, int(np.searchsorted(all_times, all_times[-1] - _LONGEST_NS, "right")) - 1
        )
        self._times, self._positions = all_times[begin:], all_positions[begin:]
        return found

    def _may_have_turned(self, times: Ints, positions: Floats, late: int) -> bool:
        """Return whether the last sample is not where the ones before lead, give or take half a cell.

        Args:
            times: since the last reset, ns, shape (n,), n > 1.
            positions: mm, shape (n,).
            late: by how much a time may be wrong, ns.
        """
        span = int(times[-1] - times[-2])
        since = max(int(np.searchsorted(times, times[-2] - min(span, _LONGEST_NS), "right")) - 1, 0)
        length = int(times[-2] - times[since])
        if not length:  # nothing is known of its motion
            return True
        speed = float(positions[-2] - positions[since]) / length
        miss = abs(float(positions[-1] - positions[-2]) - speed * span)
        return miss > self._within + self._rounding * span / length + abs(speed) * late
