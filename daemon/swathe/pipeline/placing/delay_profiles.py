"""Profiles of the wall along each pass, on one grid, as they are with a delay subtracted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from swathe.arrays import Bools, Floats, Ints, Times
from swathe.pipeline.placing.delay_passes import LinePass

__all__ = ["PassReadings", "Profiles", "lateness"]

Complexes = NDArray[np.complex128]

# The width of the smoothing, as standard deviation of a Gaussian, is the largest of: this share of a
# cell, this many spacings of readings, this many standard deviations of the jitter.
_CELLS, _SPACINGS, _JITTERS = 0.5, 1.0, 1.5
# Grid points per width of the smoothing, and points of the grid at most.
_PER_WIDTH = 2
_MOST_POINTS = 20_000
# Jitter of readings is what departs from a straight line over so long; of samples, what departs from
# a cubic over so many. Windows with so many times the usual variance have lost readings.
_WINDOW_NS = 2e9
_WINDOW = 16
_ORDINARY = 4.0
# Readings are numbered by whole intervals if the numbers add up to the time within this share,
# and no more than this share of the intervals are holes: more are bunches behind a slow line.
_CAUGHT_UP, _MOST_HOLES = 0.03, 0.03
_QUANTILES = 129
# Jitter of more than this share of the width makes bunches of readings.
_BUNCHED = 0.15
# Widths of the smoothing over which the usual density of readings is taken, and over which it must be
# this share of the usual one.
_BROAD, _NEAR = 8.0, 2.0
_MIN_DENSITY = 0.7
# Intervals longer than this many mean ones are no part of the mean: echoes were lost.
_LONGEST_INTERVAL = 10.0


@dataclass(frozen=True, slots=True)
class Profiles:
    """Profiles of p passes on a grid of k points.

    Attributes:
        thickness: smoothed, mm, shape (p, k).
        velocity: of the probe, mm/ns, signed, shape (p, k).
        known: where both are known, shape (p, k).
    """

    thickness: Floats
    velocity: Floats
    known: Bools


class PassReadings:
    """The readings of all passes, ready to be placed with any delay.

    Args:
        passes: in order of time; at least one.
        resolution: of the scan axis, mm.

    Attributes:
        width: of the smoothing: standard deviation of a Gaussian, mm.
        step: of the grid, mm.
        grid: scan positions, mm, shape (k,).
        rows: of the passes, shape (p,).
        speed: usual speed of the passes, mm/ns.
        signs: of the velocities, shape (p,).
        jitter: standard deviation of the lateness of readings and samples, ns.
        skewed: third central moment of the lateness of readings less that of samples, ns³.
    """

    def __init__(self, passes: Sequence[LinePass], *, resolution: float) -> None:
        speeds = np.array([one.speed for one in passes])
        self.signs = np.where(speeds > 0, 1.0, -1.0)
        self.speed = float(np.median(np.abs(speeds)))
        self.rows: Ints = np.array([one.row for one in passes], np.int64)
        self._intervals = np.array([_interval(one.times) for one in passes])
        late, early = lateness(passes)
        self.jitter = float(np.hypot(late.std(), early.std()))
        self.skewed = float((late**3).mean() - (early**3).mean())
        low = min(float(one.path.min()) for one in passes)
        high = max(float(one.path.max()) for one in passes)
        self.width = max(
            _CELLS * resolution,
            _SPACINGS * float(np.median(self._intervals)) * self.speed,
            _JITTERS * self.jitter * self.speed,
            _PER_WIDTH * (high - low) / _MOST_POINTS,
        )
        self.step = self.width / _PER_WIDTH
        self.grid: Floats = np.arange(low, high, self.step)
        reach = float(np.ptp(late) + np.ptp(early)) * float(np.abs(speeds).max()) / self.step
        reach += 3 * _BROAD * _PER_WIDTH
        self._padded = next_fast_len(self.grid.size + math.ceil(reach), real=True)
        self._waves: Floats = 2 * np.pi * rfftfreq(self._padded, self.step)
        self._bunched = self.jitter * self.speed > _BUNCHED * self.width
        self._response: Floats | Complexes = self._smoothing(1.0)
        if self._bunched:
            self._response = self._response * self._mirrored(late, early, speeds)
        self._inside = np.stack(
            [(self.grid >= one.path.min()) & (self.grid <= one.path.max()) for one in passes]
        )
        self._cover = np.maximum(
            self._filtered(rfft(self._inside.astype(np.float64), self._padded), _BROAD), 0.1
        )
        # Readings per point of the grid at the mean speed.
        self._usual = (self.step / (np.abs(speeds) * self._intervals))[:, None]
        self._prepare(passes, 2 * (high - low) + 1)

    def _prepare(self, passes: Sequence[LinePass], apart: float) -> None:
        """Join readings and paths: passes follow one another on one axis, `apart` mm from each other.

        So the readings of all are placed by one interpolation.
        """
        origin = int(passes[0].path_times[0])
        echo = [np.isfinite(one.thickness) for one in passes]
        times = [one.times[known] - origin for one, known in zip(passes, echo, strict=True)]
        values = [one.thickness[known] for one, known in zip(passes, echo, strict=True)]
        self._apart = apart
        self._times: Floats = np.concatenate(times).astype(np.float64)
        self._values: Floats = np.concatenate([v - np.median(v) if v.size else v for v in values])
        self._pass: Ints = np.repeat(np.arange(len(passes)), [v.size for v in values])
        self._starts = np.array([float(one.path_times[0] - origin) for one in passes])
        self._ends = np.array([float(one.path_times[-1] - origin) for one in passes])
        path_times = np.concatenate([one.path_times - origin for one in passes])
        self._path_times: Floats = path_times.astype(np.float64)
        self._path: Floats = np.concatenate(
            [
                np.maximum.accumulate(sign * one.path) + apart * number
                for number, (one, sign) in enumerate(zip(passes, self.signs, strict=True))
            ]
        )

    def profiles(self, delay: float, slant: float = 0.0) -> Profiles:
        """Return the profiles with a delay subtracted, in a frame in which features run straight.

        Without jitter a point has the mean of the readings around it. With jitter each reading
        counts for the same stretch of the wall, that of the usual density around it: a mean would
        give more weight to a reading before a hole than to each of those in the bunch after it,
        which are later.

        Args:
            delay: ns.
            slant: how far features move along the scan axis from one row to the next, mm.
        """
        times = self._times - delay
        mine = (times >= self._starts[self._pass]) & (times <= self._ends[self._pass])
        number, values = self._pass[mine], self._values[mine]
        at = np.interp(times[mine], self._path_times, self._path) - self._apart * number
        at = at * self.signs[number] - slant * self.rows[number]
        passes, k = self.rows.size, self.grid.size
        point = np.clip((at - self.grid[0]) / self.step, 0, k - 1.001)
        lower = point.astype(np.int64)
        share = point - lower
        lower += number * k
        columns = [
            np.bincount(lower, weight * (1 - share), passes * k)
            + np.bincount(lower + 1, weight * share, passes * k)
            for weight in (np.ones(at.size), values)
        ]
        counts, wall = rfft(np.reshape(columns, (2, passes, k)), self._padded)
        usual = np.maximum(self._filtered(counts, _BROAD) / self._cover, 1e-3 * self._usual)
        known = self._filtered(counts, _NEAR) >= _MIN_DENSITY * usual
        known &= (usual > 0.1 * self._usual) & self._inside
        smooth = irfft(wall * self._response, self._padded)[:, :k]
        density = usual if self._bunched else np.maximum(self._filtered(counts, 1.0), usual / 4)
        velocity = self.signs[:, None] * self.step / (usual * self._intervals[:, None])
        return Profiles(smooth / density, velocity, known)

    def _smoothing(self, widths: float) -> Floats:
        """Return the response of a Gaussian of so many widths."""
        return np.asarray(np.exp(-((self._waves * widths * self.width) ** 2) / 2))

    def _filtered(self, waves: Complexes, widths: float) -> Floats:
        """Return transformed rows after a Gaussian of so many widths, shape (p, k)."""
        filtered = irfft(waves * self._smoothing(widths), self._padded)
        return np.asarray(filtered[:, : self.grid.size])

    def _mirrored(self, late: Floats, early: Floats, speeds: Floats) -> Complexes:
        """Return the response, for each pass, of the lateness against its direction.

        Lateness blurs a pass along its direction. Its distribution is skewed, which looks like a
        shift. With the same blur against its direction passes of both directions are alike.
        """
        response = np.ones((speeds.size, self._waves.size), np.complex128)
        for number, speed in enumerate(speeds.tolist()):
            for moments, sign in ((late, 1.0), (early, -1.0)):
                phase = np.outer(self._waves, sign * speed * moments)
                response[number] *= np.exp(1j * phase).mean(axis=1)
        return response


def lateness(passes: Sequence[LinePass]) -> tuple[Floats, Floats]:
    """Return the distributions of the lateness of readings and of samples, less their means, ns.

    A gauge reads at a steady rate: its lateness is what departs from a straight line over two
    seconds. The speed of a probe changes: that of an encoder's samples is what departs from a cubic
    over 16 of them. Each distribution is given by 129 of its quantiles.
    """
    readings = [_late_readings(one.times) for one in passes]
    # Behind a sample that comes late the path shows a position that the probe has already left.
    samples = [-_departures(_regular(one), _WINDOW, 3) / one.speed for one in passes]
    shares = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    late, early = (np.quantile(_ordinary(parts), shares) for parts in (readings, samples))
    return late - late.mean(), early - early.mean()


def _interval(times: Times) -> float:
    """Return the mean interval of readings, ns, without the long ones."""
    steps = np.diff(times).astype(np.float64)
    ordinary = steps[steps <= _LONGEST_INTERVAL * steps.mean()]
    return max(float(ordinary.mean()), 1.0)


def _late_readings(times: Times) -> Floats:
    """Return how late readings are against a steady rate within windows, shape (windows, window)."""
    window = min(max(round(_WINDOW_NS / _interval(times)), _WINDOW), times.size)
    windows = times.size // window
    part = (times[: windows * window] - times[0]).reshape(windows, window).astype(np.float64)
    steps = np.diff(part, axis=1)
    usual = np.maximum(np.median(steps, axis=1, keepdims=True), 0.5 * steps.mean(axis=1)[:, None])
    usual = np.maximum(usual, 1.0)
    numbers = np.zeros_like(part)
    np.cumsum(np.maximum(np.rint(steps / usual), 1.0), axis=1, out=numbers[:, 1:])
    # A hole of whole intervals that the next readings do not catch up with has lost readings.
    elapsed = part[:, -1] - part[:, 0]
    lost = np.abs(numbers[:, -1] * usual[:, 0] - elapsed) < _CAUGHT_UP * elapsed
    lost &= (steps > 1.5 * usual).mean(axis=1) < _MOST_HOLES
    numbers[~lost] = np.arange(window)
    part -= part.mean(axis=1, keepdims=True)
    numbers -= numbers.mean(axis=1, keepdims=True)
    slope = (part * numbers).sum(axis=1) / np.maximum((numbers**2).sum(axis=1), 1.0)
    return np.asarray(part - slope[:, None] * numbers)


def _regular(one: LinePass) -> Floats:
    """Return the path at as many regular times as it has samples, mm."""
    times = np.linspace(one.path_times[0], one.path_times[-1], one.path_times.size)
    return np.interp(times, one.path_times, one.path)


def _departures(values: Floats, window: int, degree: int) -> Floats:
    """Return how far values are from a polynomial within windows, shape (windows, window)."""
    window = min(max(window, _WINDOW), values.size)
    windows = values.size // window
    part = values[: windows * window].reshape(windows, window)
    basis, _ = np.linalg.qr(np.vander(np.linspace(-1, 1, window), degree + 1))
    rest = part - (part @ basis) @ basis.T
    return np.asarray(rest * math.sqrt(window / max(window - degree - 1, 1)))


def _ordinary(parts: Sequence[Floats]) -> Floats:
    """Return the departures of all windows but those that vary far more than usual."""
    spread = np.concatenate([(part**2).mean(axis=1) for part in parts])
    most = _ORDINARY * float(np.median(spread))
    return np.concatenate([part[(part**2).mean(axis=1) <= most].ravel() for part in parts])
