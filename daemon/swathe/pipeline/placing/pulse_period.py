"""The period of a device's records from their arrivals alone, whatever was lost of them."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Times

__all__ = ["PeriodSearch", "steady_period"]

# The period of the arrivals of so many points is sought, each time so many windows have passed, as far
# from the mean interval as it is when this share of the records is lost.
_POINTS, _EVERY, _MOST_LOST_SHARE = 60, 10, 0.03
# Steps of trial periods, in turns over the whole stretch, and what is significant.
_TRIAL_TURNS, _SIGNIFICANT = 0.1, 14.0


def steady_period(arrival: Times, about: float, most_skew: float) -> float | None:
    """Return the period of which arrivals are about multiples apart, ns; None if of none.

    It maximizes the periodogram of these points in time (M. S. Bartlett, Journal of the Royal
    Statistical Society B 25, 1963), which lost and doubled records do not shift. Rayleigh's test
    shows that it is one: of N points at random the squared mean resultant length times N exceeds a
    limit with a probability of about exp(-limit) (K. V. Mardia & P. E. Jupp, Directional
    Statistics, 2000, section 6.3; the numbers are from memory).

    Args:
        arrival: of the fastest record of each window, ns, rising, shape (n,).
        about: the period, ns, and
        most_skew: by which share it may be off.
    """
    turns = (arrival - arrival[0]) / about
    if turns[-1] <= 1:
        return None
    trials = np.arange(-most_skew, most_skew, _TRIAL_TURNS / float(turns[-1]))
    lengths = np.abs(np.exp(2j * np.pi * np.outer(1 / (1 + trials), turns)).mean(axis=1))
    best = int(np.argmax(lengths))
    if arrival.size * lengths[best] ** 2 < _SIGNIFICANT:
        return None
    return float(about * (1 + trials[best]))


class PeriodSearch:
    """Keeps the fastest record of each two windows of arrivals, and finds their period."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Begin again."""
        self._arrivals: list[int] = []
        self._windows = 0
        self._late = 0.0

    def add(self, arrival: int, late: float, about: float) -> float | None:
        """Add the fastest record of a window; return the period if one is significant by now, ns.

        Args:
            arrival: of the record, ns.
            late: by how much it is later than others would be, ns.
            about: the period, as far as it is known, ns.
        """
        self._windows += 1
        if self._windows % 2:
            self._arrivals = [*self._arrivals, arrival][-_POINTS:]
            self._late = late
        elif late < self._late:
            self._arrivals[-1] = arrival
        if self._windows % _EVERY or len(self._arrivals) < _EVERY:
            return None
        return steady_period(np.array(self._arrivals, np.int64), about, _MOST_LOST_SHARE)
