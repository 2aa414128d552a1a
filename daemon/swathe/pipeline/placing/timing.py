"""What a time base gives: the host times of a device's records, and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times

__all__ = ["TimeBase", "TimeBaseKind", "Timing"]


class TimeBaseKind(StrEnum):
    """What the times of a device's records come from, the best one first."""

    CLOCK = "device clock"
    PULSES = "pulse number"
    POLL = "poll and answer"
    RATE = "steady rate"
    ARRIVAL = "arrival"


@dataclass(frozen=True, slots=True)
class Timing:
    """Host times of a device's next records, in their order, shape (n,) each.

    Attributes:
        time: ns.
        known: journal time from which the time is known, ns, rising.
        missing: records that are known to be lost between the one before and this one.
        uncertainty: standard uncertainty of the time, ns.
        smear: by how much the record may be older than its time says, ns; 0 where its time does
            not depend on how long it was on its way.
    """

    time: Times
    known: Times
    missing: NDArray[np.int64]
    uncertainty: NDArray[np.int64]
    smear: NDArray[np.int64]

    @classmethod
    def of(
        cls,
        time: Times,
        known: Times,
        missing: NDArray[np.int64] | None = None,
        *,
        uncertainty: int = 0,
        smear: int = 0,
    ) -> Timing:
        """Return the times of records that have the same uncertainty and smear."""
        shape = time.shape
        return cls(
            time=time,
            known=known,
            missing=np.zeros(shape, np.int64) if missing is None else missing,
            uncertainty=np.full(shape, uncertainty, np.int64),
            smear=np.full(shape, smear, np.int64),
        )

    def __getitem__(self, rows: slice | NDArray[np.bool_] | NDArray[np.int64]) -> Timing:
        """Return the times of some records."""
        return Timing(
            time=self.time[rows],
            known=self.known[rows],
            missing=self.missing[rows],
            uncertainty=self.uncertainty[rows],
            smear=self.smear[rows],
        )

    def known_from(self, known: Times) -> Timing:
        """Return the times, each known from `known` on, ns, and not before those before it."""
        known = np.maximum.accumulate(np.maximum(known, self.known))
        return replace(self, known=known)

    def without_smear(self) -> Timing:
        """Return the same for records that bring their position: it is theirs, whenever it was."""
        return replace(self, smear=np.zeros_like(self.smear))

    @staticmethod
    def joined(parts: list[Timing]) -> Timing:
        """Return the times of all parts, at least one, in order."""
        if len(parts) == 1:
            return parts[0]
        return Timing(
            time=np.concatenate([part.time for part in parts]),
            known=np.concatenate([part.known for part in parts]),
            missing=np.concatenate([part.missing for part in parts]),
            uncertainty=np.concatenate([part.uncertainty for part in parts]),
            smear=np.concatenate([part.smear for part in parts]),
        )


class TimeBase(Protocol):
    """Finds the times of one stream of a device's records; it may wait for later ones."""

    @property
    def kind(self) -> TimeBaseKind:
        """What the newest times come from."""
        ...

    @property
    def newest(self) -> TimeBaseKind:
        """What the time of the newest record that was resolved rests on."""
        ...

    @property
    def counts(self) -> Mapping[TimeBaseKind, int]:
        """Records that were resolved, by what their times rest on."""
        ...

    @property
    def period_found(self) -> float | None:
        """The period that was found last, ns, though it may no longer apply; None without one."""
        ...

    @property
    def held_since(self) -> int | None:
        """Journal time with which the oldest record arrived whose time is not known; None if none."""
        ...

    @property
    def period_ns(self) -> float | None:
        """The period that was found, ns; None without one."""
        ...

    @property
    def breaks(self) -> int:
        """How often the base began again: a clock was set, a rate changed."""
        ...

    def take(
        self, device: Times, sequence: NDArray[np.int64], arrival: Times, known: Times
    ) -> None:
        """Take the next records.

        Args:
            device: times by the device's clock, ns, shape (n,).
            sequence: running numbers as sent, shape (n,).
            arrival: host times of arrival, ns, rising, shape (n,).
            known: journal times with which they arrived, ns, rising, shape (n,).
        """
        ...

    def resolve(self, now: int, *, flush: bool = False) -> Timing:
        """Return the times that are known at the journal time `now`, ns, of the next records.

        Args:
            now: all records that arrived before it were taken.
            flush: whether no record follows: nothing is waited for.
        """
        ...
