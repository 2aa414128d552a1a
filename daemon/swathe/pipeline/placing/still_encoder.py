"""Encoders that send no position, or the same one, while the gauge shows that the probe moves.

No position is reported of an encoder whose bytes come; one that sends nothing at all is silent, see
`silent_device`.

Samples and readings are summed by half seconds of the journal's time, and looked at where such a
half second ends, so that nothing depends on batches; thickness counts in whole micrometres, whose
sums are exact.

Counts that stay the same are no fault by themselves: the probe may be at rest. Thickness that
varies while it rests is noise, which differs as much from reading to reading as over ten seconds,
or drift of the temperature, which takes far longer. What the wall itself varies by, under a moving
probe, changes little from reading to reading and much over ten seconds. (Von Neumann's ratio of the
mean square successive difference to the variance, Annals of Mathematical Statistics 12 (1941) 367;
its limits here are our choice, no source.)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Ints, Times, run_starts
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.repeated_values import BIN_NS
from swathe.station import AlarmKind

__all__ = ["StillEncoderWatch", "WatchedAxis"]

# A probe rests that has not moved in so many bins.
_REST_BINS = 2
# Without a sample for so many bins, while echoes come, an encoder is silent.
_SILENT_BINS = 4
# Counts and thickness are compared over so many bins, and at every other one.
_WINDOW_BINS = 20
_STRIDE_BINS = 2
# A comparison must come out the same so many times in a row.
_IN_A_ROW = 3
# Variance over the window by that from reading to reading.
_LEAST_RATIO = 25.0
# Means of half seconds: by so much they must range, and so many differ from the one before by more
# than the noise and this, so that neither one step nor a slow drift is enough. µm.
_LEAST_RANGE_UM = 200.0
_LEAST_STEP_UM = 30.0
_LEAST_STEPS = 5
_NOISES = 4.0
_MOST_UM = 10_000_000


@dataclass(frozen=True, slots=True)
class WatchedAxis:
    """An encoded axis.

    Attributes:
        device: that sends its positions.
        counts: name of the column.
        tolerance: positions that differ by no more are the same, mm.
        on_change: the device is silent while it rests.
    """

    device: str
    counts: str
    tolerance: float
    on_change: bool


class _Places:
    """Lowest and highest position of one axis by bin, and the newest one, mm."""

    def __init__(self) -> None:
        self.ranges: dict[int, tuple[float, float]] = {}
        self.last: float | None = None

    def add(self, number: int, low: float, high: float) -> None:
        before = self.ranges.get(number, (low, high))
        self.ranges[number] = min(low, before[0]), max(high, before[1])


@dataclass(slots=True)
class _Values:
    """Sums over the echoes of a bin, µm; `squares` is of the differences from the one before."""

    number: int = 0
    total: int = 0
    square: int = 0
    squares: int = 0


class StillEncoderWatch:
    """Watches the encoded axes of one run.

    Args:
        axes: by name.
        units: in which lengths are written.

    Attributes:
        conditions: changes since they were taken last.
        rested: bins in which the probe rested, and in the one before, since they were taken last.
    """

    def __init__(self, axes: Mapping[str, WatchedAxis], units: DisplayUnits = MILLIMETRES) -> None:
        self._units = units
        self._axes = dict(axes)
        self._places = {name: _Places() for name in axes}
        self._values: dict[int, _Values] = {}
        self._before: int | None = None
        # The last bin that was looked at; before the first one, that before the first data.
        self._bin: int | None = None
        self._begun = False
        self._opened: dict[str, int] = {}
        # Devices without a position, and those among them whose bytes come, which is reported.
        self._silent: set[str] = set()
        self._undecoded: set[str] = set()
        self._bytes: dict[str, set[int]] = {axis.device: set() for axis in axes.values()}
        # The bin from which on all axes have been where they are.
        self._since: int | None = None
        self._in_a_row = 0
        self._still = False
        self.conditions: list[Condition] = []
        self.rested: list[int] = []

    @property
    def looked(self) -> int:
        """The last bin that was looked at; -1 before any."""
        return self._bin if self._begun and self._bin is not None else -1

    def port_changed(self, device: str, now: int, *, is_open: bool) -> None:
        """Wait for samples from the opening of a port at `now`, ns; not while it is not open."""
        if device not in {axis.device for axis in self._axes.values()}:
            return
        self._silent.discard(device)
        if device in self._undecoded:
            self._undecoded.discard(device)
            self.conditions.append(Condition(AlarmKind.ENCODER, device, now, holds=False))
        self._opened.pop(device, None)
        if is_open:
            self._opened[device] = -(-now // BIN_NS)
        self.restart()

    def restart(self) -> None:
        """Begin to compare at the next samples: an axis was set to a position."""
        self._since = None
        for places in self._places.values():
            places.last = None

    def add_bytes(self, device: str, arrived: Times) -> None:
        """Add the journal times of chunks of a device, ns, rising, shape (n,)."""
        if arrived.size and device in self._bytes:
            self._bytes[device].update(_bins_of(arrived)[0])

    def add_positions(self, axis: str, positions: Floats, known: Times) -> None:
        """Add samples of an axis.

        Args:
            axis: its name.
            positions: mm, shape (n,).
            known: journal times from which they are known, ns, rising, shape (n,).
        """
        finite = np.isfinite(positions)
        if not finite.all():
            positions, known = positions[finite], known[finite]
        if not positions.size:
            return
        bins, starts = _bins_of(known)
        places = self._places[axis]
        low, high = np.minimum.reduceat(positions, starts), np.maximum.reduceat(positions, starts)
        for number, lowest, highest in zip(bins, low.tolist(), high.tolist(), strict=True):
            places.add(number, lowest, highest)
        self._begin(bins[0])

    def add_readings(self, readings: NDArray[Any], known: Times) -> None:
        """Add readings with their thickness, dtype `READING`, in order of arrival, shape (n,).

        Args:
            readings: those in a pause left out.
            known: journal times from which they are known, ns, rising.
        """
        echo = readings["valid"] & np.isfinite(readings["thickness"])
        if not echo.any():
            return
        thickness = np.clip(readings["thickness"][echo] * 1e3, -_MOST_UM, _MOST_UM)
        values = np.rint(thickness).astype(np.int64)
        bins, starts = _bins_of(known[echo])
        steps = np.diff(values, prepend=values[0] if self._before is None else self._before)
        counts = np.diff(np.append(starts, values.size))
        sums = [
            np.add.reduceat(column, starts).tolist()
            for column in (values, values * values, steps * steps)
        ]
        for number, count, total, square, squares in zip(bins, counts.tolist(), *sums, strict=True):
            into = self._values.setdefault(number, _Values())
            into.number += count
            into.total += total
            into.square += square
            into.squares += squares
        self._before = int(values[-1])
        self._begin(bins[0])

    def _begin(self, number: int) -> None:
        """Look from a bin on, if nothing was looked at yet."""
        if not self._begun:
            self._bin = number - 1 if self._bin is None else min(self._bin, number - 1)

    def advance(self, now: int) -> None:
        """Look at all that ended before the journal time `now`, ns."""
        last = (now - 1) // BIN_NS
        if self._bin is None or last <= self._bin:
            return
        self._begun = True
        for number in range(self._bin + 1, last + 1):
            self._look_for_silence(number)
            self._look_for_motion(number)
            if self._since is not None and number - self._since >= _REST_BINS and self._all_known():
                self.rested.append(number)
            if number % _STRIDE_BINS == 0:
                self._compare(number)
            self._forget(number - _WINDOW_BINS)
        self._bin = last

    def _look_for_silence(self, number: int) -> None:
        echoes = any(number - k in self._values for k in range(_SILENT_BINS))
        for device, opened in self._opened.items():
            axes = [name for name, axis in self._axes.items() if axis.device == device]
            waits = number - opened >= _SILENT_BINS and not self._axes[axes[0]].on_change
            absent = not any(
                number - k in self._places[name].ranges
                for name in axes
                for k in range(_SILENT_BINS)
            )
            silent = waits and absent and echoes
            comes = any(number - k in self._bytes[device] for k in range(_SILENT_BINS))
            if silent and device not in self._silent:
                self._silent.add(device)
                if self._still and not comes:
                    self._put(number, holds=False)
                self._since, self._still = None, False  # its text replaces that of the other one
            elif not silent:
                self._silent.discard(device)
            undecoded = silent and comes
            if undecoded == (device in self._undecoded):
                continue
            (self._undecoded.add if undecoded else self._undecoded.discard)(device)
            seconds = _SILENT_BINS * BIN_NS / 1e9
            detail = (
                f"bytes but no position from {device} for {seconds:.0f} s while the gauge sends "
                "echoes: check its baud rate, description and faults"
            )
            known = number * BIN_NS
            change = Condition(AlarmKind.ENCODER, device, known, holds=undecoded, detail=detail)
            self.conditions.append(change)

    def _look_for_motion(self, number: int) -> None:
        """Begin to compare where an axis moved in this bin."""
        moved = self._since is None
        for name, places in self._places.items():
            found = places.ranges.get(number)
            if found is None:
                continue
            low, high = found
            rest = low if places.last is None else places.last
            if max(high, rest) - min(low, rest) > self._axes[name].tolerance:
                moved = True
                places.last = low + (high - low) / 2
            elif places.last is None:
                places.last = rest
        if not moved:
            return
        self._since = number
        self._in_a_row = 0
        if self._still:
            self._still = False
            self._put(number, holds=False)

    def _compare(self, number: int) -> None:
        rested = 0 if self._since is None else number - self._since
        if self._still or rested < _WINDOW_BINS or not self._all_known():
            return
        change = self._change(number)
        self._in_a_row = 0 if change is None else self._in_a_row + 1
        if change is not None and self._in_a_row >= _IN_A_ROW:
            self._still = True
            names = " and ".join(axis.counts for axis in self._axes.values())
            wall = self._units.with_unit(self._units.number(change / 1e3, 1))
            detail = (
                f"counts of {names} unchanged for {rested * BIN_NS / 1e9:.0f} s while the "
                f"thickness under the probe changes by {wall}: check wheel and cable"
            )
            self._put(number, holds=True, detail=detail)

    def _all_known(self) -> bool:
        """Return whether each axis sends, so that its counts are the same and not absent."""
        return all(
            axis.device in self._opened and axis.device not in self._silent
            for axis in self._axes.values()
        ) and all(places.last is not None for places in self._places.values())

    def _change(self, number: int) -> float | None:
        """Return by how much the wall changed in the window that ends here, µm; None for noise."""
        window = range(number - _WINDOW_BINS + 1, number + 1)
        bins = [self._values[k] for k in window if k in self._values]
        if len(bins) < _WINDOW_BINS // 2:
            return None
        count, total = sum(b.number for b in bins), sum(b.total for b in bins)
        # Of whole numbers, as exact as they are.
        variance = (count * sum(b.square for b in bins) - total * total) / (count * count)
        # Rounding to whole micrometres is noise, too.
        noise = max(sum(b.squares for b in bins) / count / 2, 1 / 12)
        means = np.array([b.total / b.number for b in bins])
        size = np.array([b.number for b in bins])
        limits = _NOISES * np.sqrt(noise * (1 / size[1:] + 1 / size[:-1])) + _LEAST_STEP_UM
        changes = np.count_nonzero(np.abs(np.diff(means)) > limits)
        found = float(means.max() - means.min())
        if variance < _LEAST_RATIO * noise or changes < _LEAST_STEPS or found < _LEAST_RANGE_UM:
            return None
        return found

    def _put(self, number: int, *, holds: bool, detail: str = "") -> None:
        device = next(iter(self._axes.values())).device
        known = number * BIN_NS
        change = Condition(AlarmKind.ENCODER, device, known, holds=holds, detail=detail)
        self.conditions.append(change)

    def _forget(self, number: int) -> None:
        self._values.pop(number, None)
        for bins in self._bytes.values():
            bins.discard(number)
        for places in self._places.values():
            places.ranges.pop(number, None)


def _bins_of(known: Times) -> tuple[list[int], Ints]:
    """Return the bins of journal times, rising, each once, and the first time of each.

    Bin k ends at the time ``k · 500 ms``, that time included.
    """
    bins = -(-known // BIN_NS)
    starts = run_starts(bins)
    return bins[starts].tolist(), starts
