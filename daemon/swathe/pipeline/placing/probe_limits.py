"""What motion explains: how far from where it was heading a probe can be at the next sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from swathe.arrays import Bools, Floats, Ints

__all__ = ["SPEED_BLOCK", "Fit", "ProbeLimits", "Sample"]

SPEED_BLOCK: Final = 512
"""Good samples from which the speed limit is learnt at once."""

# No scanner known to us comes near: hands reach 1.5 m/s and 20 m/s² (common practice, no source).
_HARD_SPEED = 20_000.0
_HARD_ACCELERATION = 50_000.0
# What is always granted, however slow the motion was so far: a hand starts without notice.
_SPEED = 2_000.0
_ACCELERATION = 20_000.0
# A speed that was reached before is granted half as much again; of a block, all but the fastest
# tenth counts, so that no few wrong samples raise the limit.
_FASTER = 1.5
_SPEED_SHARE = 0.9
# Noise of an encoder; and what limits of the station file grant in addition.
_NOISE_MM = 0.1
_GIVEN_MM = 0.5
# A span is at least so long.
_SHORTEST_S = 1e-6
# Samples that arrive closer together than this share of the usual interval were delivered together.
_BUNCHED = 0.5
# The usual interval while it is unknown.
_UNKNOWN_S = 0.02
# A device's clock may have this step, but no more than a share of the span.
_TICK_S = 1e-3
_TICK_SHARE = 0.25
# A span of more usual intervals, and of more than this, is a silence.
_SILENT_INTERVALS = 4
_SILENT_S = 0.05
# What a probe may speed up by in a silence, mm/s, and for how long motion explains anything.
_SILENT_SPEED = 100.0
_SILENCE_S = 0.25


class Sample(NamedTuple):
    """A sample: time in s, position in mm, and its number in the stream."""

    time: float
    position: float
    number: int


@dataclass(frozen=True, slots=True)
class Fit:
    """How a sample is placed to the straight continuation of those before it.

    Attributes:
        off: mm.
        ordinary: whether nothing about it requires a look at the next sample.
        granted: whether a motion explains it whose acceleration is granted.
        reachable: whether motion explains it at all.
    """

    off: float
    ordinary: bool
    granted: bool
    reachable: bool


class ProbeLimits:
    """Limits of speed and acceleration: those of the station file, or far beyond any scanner.

    The speed limit is learnt: 2 m/s, or half as much again as the probe was seen to move, and at
    most 20 m/s. The acceleration between two samples is at most 50 m/s²; a bend of more than
    20 m/s² is no motion where the next sample continues without it.

    A step is compared with the speed before it, and with the step before it as well: the samples of
    a steady encoder are evenly spaced, whenever they arrive. The smaller deviation counts.

    Args:
        max_speed: of the station file, mm/s; None for the learnt one.
        max_acceleration: of the station file, mm/s²; None for those above.
        rounding: width of a count, mm.
        periods: mm after which positions repeat; steps take the shorter way, by each in turn.
        keeps_count: the counter keeps its count while nothing comes: a long span is a long motion.
            Otherwise it may have started again in a silence, of more than four usual intervals.
        rests: the encoder is silent while it rests: a long span is no long motion.
    """

    def __init__(
        self,
        *,
        max_speed: float | None = None,
        max_acceleration: float | None = None,
        rounding: float = 0.0,
        periods: tuple[float, ...] = (),
        keeps_count: bool = False,
        rests: bool = False,
    ) -> None:
        self._max_speed = max_speed
        self._learnt = 0.0
        self._bend = max_acceleration or _ACCELERATION
        self._hard_bend = max_acceleration or _HARD_ACCELERATION
        given = max_speed is not None or max_acceleration is not None
        self.slack = rounding + (_GIVEN_MM if given else _NOISE_MM)
        self._periods = periods
        self._keeps_count = keeps_count
        self._rests = rests

    @property
    def speed(self) -> float:
        """The speed limit in force, mm/s."""
        if self._max_speed is not None:
            return self._max_speed
        return min(max(_SPEED, _FASTER * self._learnt), _HARD_SPEED)

    def learn(self, speeds: Floats) -> None:
        """Learn from the speeds of a block of good samples, mm/s."""
        self._learnt = max(self._learnt, float(np.quantile(speeds, _SPEED_SHARE)))

    def step(self, one: float, other: float) -> float:
        """Return the step from one position to another, mm, the shorter way round."""
        step = other - one
        for period in self._periods:
            step -= round(step / period) * period
        return step

    def steps(self, positions: Floats) -> Floats:
        """Return the steps between positions, mm, shape (n - 1,), each the shorter way round."""
        steps = np.diff(positions)
        for period in self._periods:
            steps -= np.round(steps / period) * period
        return steps

    def speeds(self, steps: Floats, spans: Floats, usual: Floats) -> Floats:
        """Return the speeds of steps, mm/s, shape (n,); spans in s, as in `ordinary`."""
        spans = np.maximum(spans, _SHORTEST_S)
        return np.asarray(np.abs(steps) / np.maximum(spans, usual))

    def ordinary(self, steps: Floats, spans: Floats, strides: Ints, usual: Floats) -> Bools:
        """Return whether each sample but the first two is ordinary, shape (n - 2,).

        Args:
            steps: from sample to sample, mm, shape (n - 1,).
            spans: likewise, s.
            strides: likewise, numbers.
            usual: the encoder's usual interval with each step, s.
        """
        usual = np.where(usual > 0, usual, _UNKNOWN_S)
        longest = np.maximum(_SILENT_INTERVALS * usual, _SILENT_S)
        silent = spans > longest
        if self._rests or self._keeps_count:
            silent[:] = False
        spans = np.maximum(spans, _SHORTEST_S)
        if not self._keeps_count:
            spans = np.minimum(spans, longest)
        before, after = spans[:-1], spans[1:]
        last, step = steps[:-1], steps[1:]
        ratio = strides[1:] / strides[:-1]
        evenly = last * ratio
        off = np.minimum(np.abs(step - last / before * after), np.abs(step - evenly))
        spans = np.maximum(spans, usual)
        before, after = spans[:-1], spans[1:]
        # The speed between two samples is that at their middle, and off by their rounding.
        bent = self._bend * after * (before + after) / 2
        slack = self.slack * (1 + after / before)
        tick = np.minimum(_TICK_S, _TICK_SHARE * after)
        slack += tick * np.maximum(np.abs(last) / before, np.abs(step) / after)
        fast: Floats | float = self.speed
        if self._max_speed is None:
            fast = np.minimum(np.maximum(fast, 2 * np.abs(last) / before), _HARD_SPEED)
        ordinary = (np.abs(step) <= fast * after + self.slack) & (
            off <= (bent / np.maximum(ratio, 1.0) ** 2 + slack) / 2
        )
        return np.asarray(ordinary & ~silent[1:])

    def fit(self, before: list[Sample], sample: Sample, usual: float) -> Fit:
        """Return how a sample fits those before it, one or two of them, as `ordinary` has it.

        After a silence only a small step is reachable, and to where a counter is that started
        again at zero meanwhile, none that is larger than the one before.
        """
        at = before[-1]
        step, after = self.step(at.position, sample.position), sample.time - at.time
        usual = usual or _UNKNOWN_S
        longest = max(_SILENT_INTERVALS * usual, _SILENT_S)
        silence = 0.0 if self._rests or self._keeps_count or after <= longest else after
        if self._keeps_count:
            longest = np.inf
        after = min(max(after, _SHORTEST_S), longest)
        last, earlier, ratio = 0.0, after, 1.0
        if len(before) > 1:
            ratio = (sample.number - at.number) / (at.number - before[-2].number)
            last = self.step(before[-2].position, at.position)
            earlier = min(max(at.time - before[-2].time, _SHORTEST_S), longest)
        off = min(abs(step - last / earlier * after), abs(step - last * ratio))
        bunched = min(earlier, after) < _BUNCHED * usual  # the spans say nothing of a bend
        earlier, after = max(earlier, usual), max(after, usual)
        fast = self.speed
        if self._max_speed is None:
            fast = min(max(fast, 2 * abs(last) / earlier), _HARD_SPEED)
        reachable = abs(step) <= fast * after + self.slack
        if silence:
            moved = _FASTER * abs(last) / earlier + _SILENT_SPEED
            reach = moved * min(silence, _SILENCE_S) + self.slack
            at_zero = abs(self.step(0.0, sample.position)) <= reach
            near = _FASTER * abs(last) + self.slack
            reachable &= abs(step) <= (near if at_zero else reach)
            return Fit(off, reachable, reachable, reachable)
        if len(before) < 2:
            ordinary = abs(step) <= self._bend * after**2 / 2 + self.slack
            return Fit(off, reachable and ordinary, reachable, reachable)
        bent = after * (earlier + after) / 2
        slack = self.slack * (1 + after / earlier)
        tick = min(_TICK_S, _TICK_SHARE * after)
        slack += tick * max(abs(last) / earlier, abs(step) / after)
        ordinary = reachable and off <= (self._bend * bent / max(ratio, 1.0) ** 2 + slack) / 2
        reachable &= off <= self._hard_bend * bent + slack
        granted = reachable and (bunched or off <= self._bend * bent + slack)
        return Fit(off, ordinary, granted, reachable)

    def is_spike(self, before: Sample, sample: Sample, after: Sample, usual: float) -> bool:
        """Return whether a sample is farther off the line between its neighbours than motion allows.

        A probe that bends by no more than the acceleration `a` is within ``a * d1 * d2 / 2`` of the
        line, `d1` and `d2` from the neighbours in s. (Mean value theorem; error of linear
        interpolation.)
        """
        usual = usual or _UNKNOWN_S
        direct = self.step(before.position, after.position)
        step = self.step(before.position, sample.position)
        d1 = max(sample.time - before.time, _SHORTEST_S)
        d2 = max(after.time - sample.time, _SHORTEST_S)
        share = (sample.number - before.number) / (after.number - before.number)
        off = min(abs(step - direct * d1 / (d1 + d2)), abs(step - direct * share))
        d1, d2 = max(d1, usual), max(d2, usual)
        slack = self.slack + min(_TICK_S, _TICK_SHARE * d1) * abs(direct) / (d1 + d2)
        return off > self._bend * d1 * d2 / 2 + slack

    def off_course(self, course: list[Sample], sample: Sample, at: Sample, usual: float) -> float:
        """Return how far a sample is from `at` continued with the speed of `course`, mm."""
        speed = 0.0
        if len(course) > 1:
            span = max(course[-1].time - course[-2].time, usual, _SHORTEST_S)
            speed = self.step(course[-2].position, course[-1].position) / span
        span = sample.time - at.time
        return abs(self.step(at.position, sample.position) - speed * span)
