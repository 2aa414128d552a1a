"""The spots of a survey: what was read at each, what counts, and what is left to do.

A coupling is one reading of a spot with the probe put on: the median reading of the stretch in
which it was held. It counts when the readings of the stretch agree within `max_spread` and the
probe was lifted since the coupling before. A spot is done once as many couplings count as the plan
requires, and agree among themselves; its cell then holds them by the cell rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.station import SpotsSettings

__all__ = ["Coupling", "CouplingState", "Spot", "SpotRegister", "SpotState", "coupling_of"]

# Readings have some µm as their last digit: what is equal but for rounding is no more than a limit.
_SLACK_MM = 1e-9


class SpotState(StrEnum):
    """What is known of a spot."""

    OPEN = "open"
    """Too few couplings count, or none."""
    JUMPY = "jumpy"
    """Its readings differ by more than the plan allows: it stays to be done."""
    DONE = "done"
    CLOSED = "closed"
    """No reading is possible, by who closed it."""


class CouplingState(StrEnum):
    """Whether a coupling counts, and why not."""

    COUNTED = "counted"
    JUMPY = "jumpy"
    """Its readings differ by more than the plan allows."""
    ACCEPTED = "accepted"
    """Jumpy, and accepted by an operator."""
    NOT_LIFTED = "not lifted"
    """The probe was not lifted since the coupling before: it may be the same place."""
    DISCARDED = "discarded"
    """By an operator who had the spot read again."""
    SUSPECT = "suspect"
    """A calibration check failed, and sound readings are there or were taken since."""

    @property
    def counts(self) -> bool:
        """Whether the coupling counts."""
        return self in (CouplingState.COUNTED, CouplingState.ACCEPTED)


@dataclass(slots=True)
class Coupling:
    """One reading of a spot with the probe put on.

    Attributes:
        number: in the survey, from 1.
        time: of the median reading, ns UTC.
        by: who took it.
        reading: the median reading, dtype `READING`, shape (1,).
        waveform: its A-scan, shape (1, samples); None where none is kept.
        channels: that came with it, shape (1, channels); None without any.
        readings: how many there are.
        spread: maximum less minimum of them, mm.
        sd: their standard deviation, mm; NaN for one.
        state: whether it counts.
        changed_by: who accepted or discarded it; empty when nobody did.
        because: why.
    """

    number: int
    time: int
    by: str
    reading: NDArray[Any]
    waveform: NDArray[Any] | None
    channels: NDArray[Any] | None
    readings: int
    spread: float
    sd: float
    state: CouplingState
    changed_by: str = ""
    because: str = ""

    @property
    def value(self) -> float:
        """Thickness of the median reading, mm."""
        return float(self.reading["thickness"][0])


@dataclass(slots=True)
class Spot:
    """A spot of the plan.

    Attributes:
        number: of its cell, from 0.
        name: by which the plan names it.
        state: what is known of it.
        couplings: all of them, in their order.
        accepted_by: who accepted its readings though they differ; empty while nobody has.
        closed_by: who closed it; empty while nobody has.
        because: why it was closed, or its readings accepted.
    """

    number: int
    name: str
    state: SpotState = SpotState.OPEN
    couplings: list[Coupling] = field(default_factory=list)
    accepted_by: str = ""
    closed_by: str = ""
    because: str = ""

    @property
    def counted(self) -> list[Coupling]:
        """The couplings that count."""
        return [one for one in self.couplings if one.state.counts]

    @property
    def spread(self) -> float:
        """Maximum less minimum of the couplings that count, mm; NaN for fewer than two."""
        values = [one.value for one in self.counted]
        return max(values) - min(values) if len(values) > 1 else float("nan")

    @property
    def sd(self) -> float:
        """Standard deviation of the couplings that count, mm; NaN for fewer than two."""
        values = [one.value for one in self.counted]
        return float(np.std(values, ddof=1)) if len(values) > 1 else float("nan")


def coupling_of(
    readings: NDArray[Any],
    waveforms: NDArray[Any] | None,
    channels: NDArray[Any] | None = None,
    *,
    number: int,
    utc_offset: int,
    by: str,
    state: CouplingState,
) -> Coupling:
    """Return the coupling that readings with an echo make, shape (n,), n > 0.

    Its reading is the median one: with an even number the lower of the two in the middle, and of
    equal ones the first.

    Args:
        readings: dtype `READING` with their thickness in mm.
        waveforms: their A-scans, shape (n, samples); None where none are kept.
        channels: that came with them, shape (n, channels); None without any.
        number: of the coupling.
        utc_offset: ns from host time to UTC.
        by: who took it.
        state: whether it counts.
    """
    thickness = readings["thickness"].astype(np.float64)
    median = int(np.argsort(thickness, kind="stable")[(thickness.size - 1) // 2])
    # The least index of that value: a stable sort keeps equal ones in their order.
    median = int(np.argmax(thickness == thickness[median]))
    row = slice(median, median + 1)
    return Coupling(
        number=number,
        time=int(readings["time"][median]) + utc_offset,
        by=by,
        reading=readings[row].copy(),
        waveform=None if waveforms is None else waveforms[row].copy(),
        channels=None if channels is None else channels[row].copy(),
        readings=int(thickness.size),
        spread=float(np.ptp(thickness)),
        sd=float(thickness.std(ddof=1)) if thickness.size > 1 else float("nan"),
        state=state,
    )


class SpotRegister:
    """All spots of a survey, by their numbers.

    Args:
        settings: how a spot is read.
        names: of the spots.

    Attributes:
        settings: as above, of the run in force.
        spots: in the order of the plan.
        couplings: taken so far, whether they count or not.
    """

    def __init__(self, settings: SpotsSettings, names: list[str]) -> None:
        self.settings = settings
        self.spots = [Spot(number, name) for number, name in enumerate(names)]
        self.couplings = 0
        self._changed: set[int] = set()

    def add(self, spot: Spot, coupling: Coupling) -> None:
        """Add a coupling to a spot."""
        self.couplings = coupling.number
        spot.couplings.append(coupling)
        if coupling.state is CouplingState.COUNTED:
            spot.accepted_by = ""  # it was not among those that were accepted
        self._settle(spot)

    def is_jumpy(self, spread: float) -> bool:
        """Return whether a spread in mm is more than the plan allows."""
        return spread > self.settings.max_spread + _SLACK_MM

    def accept(self, spot: Spot, *, by: str, because: str) -> None:
        """Let the readings of a jumpy spot count though they differ; no other spot changes."""
        if spot.state is not SpotState.JUMPY:
            return
        newest = spot.couplings[-1] if spot.couplings else None
        if newest is not None and newest.state is CouplingState.JUMPY:
            newest.state, newest.changed_by, newest.because = CouplingState.ACCEPTED, by, because
        spot.accepted_by, spot.because = by, because
        self._settle(spot)

    def close(self, spot: Spot, *, by: str, because: str) -> None:
        """Close a spot at which no reading is possible."""
        spot.closed_by, spot.because = by, because
        self._settle(spot)

    def reopen(self, spot: Spot, *, by: str, because: str) -> None:
        """Let a spot be read again: what was read so far counts no more."""
        spot.closed_by = spot.accepted_by = spot.because = ""
        for coupling in spot.couplings:
            if coupling.state.counts or coupling.state is CouplingState.JUMPY:
                coupling.state = CouplingState.DISCARDED
                coupling.changed_by, coupling.because = by, because
        self._settle(spot)

    def drop_suspect(self, spot: Spot, is_suspect: Callable[[int], bool]) -> None:
        """Let sound couplings replace those that a failed calibration check makes suspect.

        Args:
            spot: of the couplings.
            is_suspect: returns whether what was read at a time, ns UTC, is suspect.
        """
        suspect = [one for one in spot.counted if is_suspect(one.time)]
        if len(suspect) < len(spot.counted):
            for coupling in suspect:
                coupling.state = CouplingState.SUSPECT
            self._settle(spot)

    def _settle(self, spot: Spot) -> None:
        """Find the state of a spot."""
        self._changed.add(spot.number)
        counted = spot.counted
        newest = spot.couplings[-1] if spot.couplings else None
        if spot.closed_by:
            spot.state = SpotState.CLOSED
        elif self.is_jumpy(spot.spread) and not spot.accepted_by:
            spot.state = SpotState.JUMPY
        elif len(counted) >= self.settings.couplings:
            spot.state = SpotState.DONE
        elif newest is not None and newest.state is CouplingState.JUMPY:
            spot.state = SpotState.JUMPY
        else:
            spot.state = SpotState.OPEN

    def take_changed(self) -> list[Spot]:
        """Return the spots that changed since the last call, in their order."""
        changed = [self.spots[number] for number in sorted(self._changed)]
        self._changed.clear()
        return changed

    def named(self, name: str) -> Spot | None:
        """Return the spot of a name; None where there is none."""
        return next((spot for spot in self.spots if spot.name == name), None)
