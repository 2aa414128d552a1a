"""Samples of an encoded axis, before and after it is decided whether they are good."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints

__all__ = ["AxisSamples", "WaitingSamples"]


@dataclass(frozen=True, slots=True)
class AxisSamples:
    """Samples of which it is decided whether they are good; row i of each column belongs together.

    Attributes:
        times: ns, shape (n,).
        positions: mm, shape (n,); NaN where a sample is not good.
        known: journal time from which that is known, ns, shape (n,).
        marks: whether the index mark was on, shape (n,).
    """

    times: Ints
    positions: Floats
    known: Ints
    marks: Bools

    @property
    def good(self) -> Bools:
        """Which of them are good, shape (n,)."""
        return np.isfinite(self.positions)

    @staticmethod
    def joined(parts: list[AxisSamples]) -> AxisSamples:
        """Return the samples of all parts, in order."""
        if len(parts) == 1:
            return parts[0]
        return AxisSamples(
            np.concatenate([np.empty(0, np.int64), *(part.times for part in parts)]),
            np.concatenate([np.empty(0), *(part.positions for part in parts)]),
            np.concatenate([np.empty(0, np.int64), *(part.known for part in parts)]),
            np.concatenate([np.empty(0, bool), *(part.marks for part in parts)]),
        )


@dataclass(frozen=True, slots=True)
class WaitingSamples:
    """Samples as they arrived, of which it is not decided whether they are good; shape (n,) each.

    Attributes:
        times: ns.
        counts: as they were sent.
        marks: whether the index mark was on.
        known: journal times from which they are known, ns.
        uncertainty: standard uncertainty of the times, ns.
        smear: by how much they may be older than their times say, ns.
        rested: journal times until which silence before them was a rest, ns; of an encoder that sends on change.
        damaged: whether that was ended by bytes that are no record.
    """

    times: Ints
    counts: Floats
    marks: Bools
    known: Ints
    uncertainty: Ints
    smear: Ints
    rested: Ints
    damaged: Bools

    @classmethod
    def none(cls) -> WaitingSamples:
        """Return no samples."""
        ints: Ints = np.empty(0, np.int64)
        bools = np.empty(0, bool)
        return cls(ints, np.empty(0), bools, ints, ints, ints, ints, bools)

    def __getitem__(self, rows: slice | NDArray[np.intp]) -> WaitingSamples:
        """Return some samples."""
        return WaitingSamples(
            self.times[rows],
            self.counts[rows],
            self.marks[rows],
            self.known[rows],
            self.uncertainty[rows],
            self.smear[rows],
            self.rested[rows],
            self.damaged[rows],
        )

    def undecided(self, known: int) -> AxisSamples:
        """Return them as samples that are not good, as is known at a journal time, ns."""
        size = self.times.size
        return AxisSamples(self.times, np.full(size, np.nan), np.full(size, known), self.marks)

    def followed_by(self, other: WaitingSamples) -> WaitingSamples:
        """Return these samples, and others after them."""
        if not self.times.size:
            return other
        return WaitingSamples(
            np.concatenate((self.times, other.times)),
            np.concatenate((self.counts, other.counts)),
            np.concatenate((self.marks, other.marks)),
            np.concatenate((self.known, other.known)),
            np.concatenate((self.uncertainty, other.uncertainty)),
            np.concatenate((self.smear, other.smear)),
            np.concatenate((self.rested, other.rested)),
            np.concatenate((self.damaged, other.damaged)),
        )
