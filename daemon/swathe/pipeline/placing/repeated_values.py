"""A value that a gauge repeats for longer than its own noise allows.

What the noise is shows while the probe rests, where nothing else changes the values. Where each
block of them repeats the one before in at most 35 of 100 cases, the noise is 0.6 of the resolution
at least, even if the thickness was just between two steps of it; in the middle of a step 44 of 100
repeat then. With 60 to be safe, 41 repeats in a row come once in a thousand million. A quiet gauge,
a coarse one and one that was not seen at rest are never blamed. (Repeats of rounded Gaussian noise,
computed; the limits are our choice, no source.)

The alarm is all that follows: the repeats count, as they may be what the probe read. A description
with `held_after` makes them no readings, live or in a rebuild.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times, run_starts
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind

__all__ = ["BIN_NS", "RepeatedValues"]

BIN_NS: Final = 500_000_000
"""Readings are summed by these stretches of the journal's time, and looked at where one ends."""

_IMPOSSIBLE_REPEATS = 41
# Repeats beyond these are rather held than noise, once there is noise.
_NOISE_REPEATS = 20
_BLOCK_READINGS, _BLOCKS = 150, 2
_MOST_SHARE = 0.35


@dataclass(slots=True)
class _Bin:
    """Readings of one bin.

    Attributes:
        number: of them.
        repeats: of these, those equal to the one before.
        long: of these, those of long runs.
        most: repeats of one value.
        last: repeats of the newest value.
        value: of the longest run.
    """

    number: int
    repeats: int
    long: int
    most: int
    last: int
    value: float


class RepeatedValues:
    """Follows the readings of a gauge through one run.

    Args:
        device: the gauge.
        units: in which lengths are written.

    Attributes:
        conditions: changes since they were taken last.
    """

    def __init__(self, device: str, units: DisplayUnits = MILLIMETRES) -> None:
        self._units = units
        self._device = device
        self._bins: dict[int, _Bin] = {}
        self._looked: int | None = None
        self._last: tuple[float, float] | None = None
        self._repeats = 0
        self._gives_time = False
        # Readings at rest and the repeats among them, of the block so far; of all blocks, their
        # number and the greatest share of repeats.
        self._block = (0, 0)
        self._blocks = 0
        self._share = 0.0
        self._holds = False
        self.conditions: list[Condition] = []

    def add(self, readings: NDArray[Any], known: Times) -> None:
        """Add readings in order of arrival, dtype `READING`, shape (n,).

        Args:
            readings: those in a pause left out.
            known: journal times from which they are known, ns, rising.
        """
        flight, thickness = readings["time_of_flight"], readings["thickness"]
        values = np.where(np.isnan(flight), thickness, flight)
        echo = readings["valid"] & np.isfinite(values)
        if not echo.any():
            return
        self._gives_time = not np.isnan(flight[echo][-1])
        values, known = values[echo], known[echo]
        amplitude = np.nan_to_num(readings["amplitude"][echo].astype(np.float64), nan=-1.0)
        first = (values[0] + 1, 0.0) if self._last is None else self._last
        before = np.concatenate(([first[0]], values[:-1]))
        same = (values == before) & (amplitude == np.concatenate(([first[1]], amplitude[:-1])))
        number = np.arange(values.size)
        begun = np.maximum.accumulate(np.where(same, -1, number))
        repeats = np.where(begun < 0, self._repeats + number + 1, number - begun)
        self._last, self._repeats = (float(values[-1]), float(amplitude[-1])), int(repeats[-1])
        self._add_bins(-(-known // BIN_NS), values, repeats)

    def _add_bins(
        self, bins: Times, values: NDArray[np.float64], repeats: NDArray[np.int64]
    ) -> None:
        starts = run_starts(bins)
        ends = [*starts[1:].tolist(), bins.size]
        for begin, end in zip(starts.tolist(), ends, strict=True):
            some = repeats[begin:end]
            longest = int(np.argmax(some))
            new = _Bin(
                number=end - begin,
                repeats=int(np.count_nonzero(some)),
                long=int(np.count_nonzero(some > _NOISE_REPEATS)),
                most=int(some[longest]),
                last=int(some[-1]),
                value=float(values[begin + longest]),
            )
            number = int(bins[begin])
            old = self._bins.get(number)
            self._bins[number] = new if old is None else _joined(old, new)

    def advance(self, rested: Iterable[int], last: int) -> None:
        """Look at the bins until `last`, of which all is known.

        Args:
            rested: bins in which the probe rested, rising, later than those before.
            last: number of the last bin.
        """
        at_rest = set(rested)
        for number in sorted(number for number in self._bins if number <= last):
            found = self._bins.pop(number)
            self._look(number, found)
            if number in at_rest:
                self._learn(found)

    @property
    def _proven(self) -> bool:
        """Whether noise has changed most values in all blocks."""
        return self._blocks >= _BLOCKS and self._share <= _MOST_SHARE

    def _look(self, number: int, found: _Bin) -> None:
        held = self._proven and found.last >= _IMPOSSIBLE_REPEATS
        if held == self._holds:
            return
        self._holds = held
        value = f"{found.value:g} µs"
        if not self._gives_time:
            value = self._units.stated_thickness_text(found.value)
        detail = (
            ""
            if not held
            else (
                f"{value} came {found.last} times more without a change, which noise makes "
                "impossible: a value held for want of an echo? Its cells count: see held_after"
            )
        )
        known = number * BIN_NS
        change = Condition(AlarmKind.HELD, self._device, known, holds=held, detail=detail)
        self.conditions.append(change)

    def _learn(self, found: _Bin) -> None:
        held = found.long if self._proven else 0
        count, repeats = self._block
        count, repeats = count + found.number - held, repeats + found.repeats - held
        if count >= _BLOCK_READINGS:
            self._blocks += 1
            self._share = max(self._share, repeats / count)
            count = repeats = 0
        self._block = count, repeats


def _joined(old: _Bin, new: _Bin) -> _Bin:
    """Return the readings of one bin that came in two parts."""
    longer = new if new.most > old.most else old
    return _Bin(
        number=old.number + new.number,
        repeats=old.repeats + new.repeats,
        long=old.long + new.long,
        most=longer.most,
        last=new.last,
        value=longer.value,
    )
