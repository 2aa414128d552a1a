"""How far from its true position a reading may be, along the scan axis.

A reading is placed between two samples of the encoder. At the speed ``v`` of the probe, ``d`` mm from
where the position was set, its variance is after the law of propagation of uncertainty (JCGM 100:2008,
5.1.2), all components independent of one another::

    v² (u²(time of the reading) + u²(time of the samples) + u²(delay))      in the time
    + count² / 12                                                           a count: a rectangle (4.3.7)
    + curvature                                                             between two samples
    + d² u²(scale)                                                          of the encoder

Between two samples ``T`` apart the path is taken for straight. At the acceleration ``a`` it is not, by
``a T² w (1 - w) / 2`` at the share ``w`` of the way, the mean square of which is ``a² T⁴ / 120``; ``a`` is
that from sample to sample.

What holds for most readings is a quantile of all of them, and they move at different speeds: the
interval is that of the mixture of normal distributions, one for each class of speed (propagation of
distributions, JCGM 101:2008). Only readings of a moving probe count; at rest no time matters, and
a long rest says nothing of the rest of the scan. Readings that bring their own position have no
part in the time, and all count. All sums are of whole numbers, so that they do not
depend on how readings were batched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times, steps_of

__all__ = [
    "PLACE_SPREAD",
    "PlaceBudget",
    "PlaceComponent",
    "PlaceSums",
    "StatedUncertainty",
    "mixture_quantile",
    "no_spread",
]

PLACE_SPREAD: Final[np.dtype[np.void]] = np.dtype(
    [("speed", "<f8"), ("reading", "<f8"), ("samples", "<f8"), ("blur", "<f8")]
)
"""What a reading's place rests on: speed along the scan axis, mm/s, NaN for a reading that brings its
own position; standard uncertainties of the times of the reading and of the samples around it, ns; how
far the probe moves, mm, in the time by which these may be older than they say."""

_COVERAGE = 0.95

# A probe that is slower than this rests, mm/s.
_MOVING = 1.0
# Borders of the classes of speed, mm/s: each is a quarter wider than the one before.
_CLASSES = _MOVING * 1.25 ** np.arange(1, 42)
# Units of the sums: whole numbers of which so many are 1 mm/s, 1 mm of effect, 1 mm of distance. None
# is above a million, so that the squares of nine million readings fit 64 bits.
_PER_MM_PER_S, _PER_MM, _PER_MM_AWAY = 100.0, 10_000.0, 10.0
_MOST = 1_000_000
_SUMS = ("count", "speed", "reading", "samples", "away")


def no_spread(count: int) -> NDArray[Any]:
    """Return the spread of readings that bring their own position, shape (count,)."""
    made = np.zeros(count, PLACE_SPREAD)
    made["speed"] = np.nan
    return made


@dataclass(frozen=True, slots=True)
class PlaceComponent:
    """One line of the budget.

    Attributes:
        name: what is uncertain.
        standard_mm: its share, mm, over all moving readings; None where it is not stated.
        basis: where the number comes from.
    """

    name: str
    standard_mm: float | None
    basis: str


@dataclass(frozen=True, slots=True)
class PlaceBudget:
    """How far a survey's readings may be from their true positions.

    Attributes:
        components: of the budget.
        standard_mm: combined, of those that are stated, mm.
        expanded_mm: 95 % of the moving readings are within it, mm.
        readings: moving readings.
    """

    components: tuple[PlaceComponent, ...]
    standard_mm: float
    expanded_mm: float
    readings: int

    @property
    def not_stated(self) -> tuple[str, ...]:
        """Names of the components without a number, which the result does not cover."""
        return tuple(one.name for one in self.components if one.standard_mm is None)


@dataclass(frozen=True, slots=True)
class StatedUncertainty:
    """A standard uncertainty from outside the data, and its basis; `value` None if there is none."""

    value: float | None
    basis: str


class PlaceSums:
    """Sums over the readings of a survey, and over its encoder's samples."""

    def __init__(self) -> None:
        self._zero = 0.0
        self._count_mm = 0.0
        self._bracket = 0
        # By class of speed; whole numbers without limit.
        self._sums = {name: np.zeros(_CLASSES.size + 1, object) for name in _SUMS}
        self._bends = 0
        self._bend_squares = 0
        self._last_time: int | None = None
        self._last_position = 0.0
        self._last_step: tuple[int, float] | None = None  # ns, mm

    def begin(self, *, zero: float, count_mm: float, bracket_ns: int) -> None:
        """Continue with the encoder of a run.

        Args:
            zero: position that the encoder was set to, mm.
            count_mm: travel of a count, mm; 0 for an encoder that sends lengths.
            bracket_ns: two samples further apart than this place nothing.
        """
        self._zero, self._count_mm, self._bracket = zero, count_mm, bracket_ns
        self._last_time = self._last_step = None

    def set_zero(self, zero: float) -> None:
        """Count the distance from another position, mm, to which the encoder was set."""
        self._zero = zero

    def add_readings(self, positions: Floats, spread: NDArray[Any]) -> None:
        """Count placed readings.

        Args:
            positions: along the scan axis, mm, shape (n,).
            spread: dtype `PLACE_SPREAD`, shape (n,).
        """
        speed = np.abs(spread["speed"])
        own = np.isnan(speed)
        if own.any():
            self._add_combined(positions[own])
        moving = speed >= _MOVING
        if not moving.any():
            return
        speed = speed[moving]
        number = np.searchsorted(_CLASSES, speed, side="right")
        values = {
            "speed": _whole(speed * _PER_MM_PER_S),
            "reading": _whole(speed * spread["reading"][moving] * (1e-9 * _PER_MM)),
            "samples": _whole(speed * spread["samples"][moving] * (1e-9 * _PER_MM)),
            "away": _whole(np.abs(positions[moving] - self._zero) * _PER_MM_AWAY),
        }
        self._sums["count"] += np.bincount(number, minlength=_CLASSES.size + 1)
        for name, whole in values.items():
            sums = np.zeros(_CLASSES.size + 1, np.int64)
            np.add.at(sums, number, whole * whole)
            self._sums[name] += sums

    def _add_combined(self, positions: Floats) -> None:
        """Count readings that brought their own positions, mm, shape (n,): no time matters."""
        away = _whole(np.abs(positions - self._zero) * _PER_MM_AWAY)
        self._sums["count"][0] += int(positions.size)
        self._sums["away"][0] += int(np.sum(away * away))

    def add_samples(self, times: Times, positions: Floats) -> None:
        """Follow the encoder's samples, for the curvature of the path.

        Args:
            times: ns, rising, shape (n,).
            positions: mm, shape (n,).
        """
        if not times.size:
            return
        if self._last_time is None:
            spans, steps = np.diff(times), np.diff(positions)
        else:
            spans = steps_of(times, self._last_time)
            steps = steps_of(positions, self._last_position)
        self._last_time, self._last_position = int(times[-1]), float(positions[-1])
        if not spans.size:
            return
        if self._last_step is not None:
            spans = np.concatenate(([self._last_step[0]], spans))
            steps = np.concatenate(([self._last_step[1]], steps))
        self._last_step = int(spans[-1]), float(steps[-1])
        joined = (spans > 0) & (spans <= self._bracket)
        seconds = np.where(joined, spans, 1) * 1e-9
        speeds = steps / seconds
        both = joined[1:] & joined[:-1] & (np.abs(speeds[1:]) >= _MOVING)
        # a T², with the acceleration between the middles of two spans.
        bends = (speeds[1:] - speeds[:-1]) / (seconds[1:] + seconds[:-1]) * 2 * seconds[1:] ** 2
        whole = _whole(np.abs(bends[both]) * _PER_MM)
        self._bends += int(whole.size)
        self._bend_squares += int(np.sum(whole * whole))

    def budget(
        self, *, delay_ns: StatedUncertainty, scale: StatedUncertainty
    ) -> PlaceBudget | None:
        """Return the budget; None before any reading of a moving probe.

        Args:
            delay_ns: standard uncertainty of the delay between gauge and encoder, ns.
            scale: relative standard uncertainty of the encoder's scale.
        """
        counts = self._sums["count"].astype(np.float64)
        total = float(counts.sum())
        if not total:
            return None
        used = counts > 0
        mean = {
            name: self._sums[name][used].astype(np.float64) / counts[used] for name in _SUMS[1:]
        }
        count = self._count_mm**2 / 12
        curvature = self._bend_squares / max(self._bends, 1) / _PER_MM**2 / 120
        delay, relative = (0.0 if one.value is None else one.value for one in (delay_ns, scale))
        variances = {
            "time of the reading": mean["reading"] / _PER_MM**2,
            "time of the encoder's samples": mean["samples"] / _PER_MM**2,
            "delay": mean["speed"] / _PER_MM_PER_S**2 * (delay * 1e-9) ** 2,
            "count": np.full(mean["speed"].shape, count),
            "curvature between samples": np.full(mean["speed"].shape, curvature),
            "encoder scale": mean["away"] / _PER_MM_AWAY**2 * relative**2,
        }
        basis = {
            "time of the reading": "time base of the gauge",
            "time of the encoder's samples": "time base of the encoder",
            "delay": delay_ns.basis,
            "count": "width of a count",
            "curvature between samples": "accelerations from sample to sample",
            "encoder scale": scale.basis,
        }
        stated = dict.fromkeys(variances, True)
        stated["delay"], stated["encoder scale"] = (
            delay_ns.value is not None,
            scale.value is not None,
        )
        weights = counts[used] / total
        components = tuple(
            PlaceComponent(
                name,
                math.sqrt(float(weights @ variance)) if stated[name] else None,
                basis[name],
            )
            for name, variance in variances.items()
        )
        variance = np.sum(list(variances.values()), axis=0)
        return PlaceBudget(
            components=components,
            standard_mm=math.sqrt(float(weights @ variance)),
            expanded_mm=mixture_quantile(weights, np.sqrt(variance)),
            readings=int(total),
        )


def mixture_quantile(weights: Floats, deviations: Floats, coverage: float = _COVERAGE) -> float:
    """Return within which distance of zero a share of a mixture of normal distributions is.

    Args:
        weights: of the distributions, which add up to 1, shape (n,).
        deviations: their standard deviations, shape (n,); each has the mean zero.
        coverage: the share.
    """
    low, high = 0.0, 10.0 * float(deviations.max())
    for _ in range(60):
        middle = (low + high) / 2
        inside = sum(
            weight * (math.erf(middle / (math.sqrt(2) * deviation)) if deviation else 1.0)
            for weight, deviation in zip(weights.tolist(), deviations.tolist(), strict=True)
        )
        low, high = (low, middle) if inside >= coverage else (middle, high)
    return high


def _whole(values: Floats) -> NDArray[np.int64]:
    return np.minimum(np.rint(values), _MOST).astype(np.int64)
