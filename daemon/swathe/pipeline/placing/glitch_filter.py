"""A filter of encoder samples that no probe can have reached, and of positions that jump.

A sample off the course of those before it waits for the next ones:

- The next one continues from it as a probe can move: both are good.
- The next one is where the course leads without it: it was a glitch, such as one count read wrong.
- The next ones continue from it, and motion explains neither the first step nor a way back: the
  position jumped, as when a counter starts again at zero. It is lost, and no sample is good.

A lost position is found again only by itself if a burst of wrong counts ended: within a second the
samples *jump* back to where the course leads, near enough for any scan, and four in a row continue
there. A counter that travels there by continuous steps is not found, nor one that is where another
start at zero would put it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Floats, Ints
from swathe.pipeline.placing.filter_verdicts import Fates, FilterEvent, Verdicts
from swathe.pipeline.placing.probe_limits import SPEED_BLOCK, ProbeLimits, Sample

__all__ = ["GlitchFilter"]

_NS: Final = 1e9
# Samples that are compared at once.
_SLICE = 512
# So many in a row that agree with each other make a jump, and a way back.
_LASTING_SAMPLES = 4
# So many that agree with nothing make a lost position as well.
_GARBAGE_SAMPLES = 12
# A lost position is found again by itself within so long, if so near to the course.
_FOUND_S = 1.0
_FOUND_ACCELERATION = 2_000.0
_FOUND_MM = 25.0
# A counter that started again was moved by no more than this since, mm/s.
_SLOW = 100.0


class GlitchFilter:
    """Separates motion from glitches and jumps.

    Args:
        limits: what motion explains.

    Attributes:
        glitches: samples discarded so far that were none of a lost position.
        lost: whether the position is lost.
        held: number of samples that wait for the next ones.
        last_good: the last good sample; None before the first.
    """

    def __init__(self, limits: ProbeLimits) -> None:
        self._limits = limits
        self._good: list[Sample] = []  # the last two good ones, older first
        self._earlier: list[Sample] = []  # up to two before these
        self._held: list[Sample] = []
        self._run = 0  # so many of the last that wait continue from each other
        self._broken = False  # between the last good one and what waits nothing is known
        self._confirmed = False  # there are three good samples, each reachable from those before
        self._speeds: list[Floats] = []
        self._number = 0  # of the next sample in the stream
        self._stray: list[Sample] = []  # the last two samples of a lost position
        self.glitches = 0
        self.lost = False

    @property
    def held(self) -> int:
        """Number of samples that wait for the next ones."""
        return len(self._held)

    @property
    def last_good(self) -> Sample | None:
        """The last good sample; None before the first."""
        return self._good[-1] if self._good else None

    def keep(self, times: Ints, positions: Floats, usual: Ints) -> Verdicts:
        """Take the next samples, shape (n,) each, and return what is decided by now.

        Args:
            times: ns, rising.
            positions: mm, with no roll-over undone.
            usual: the encoder's usual interval known with each, ns.
        """
        size = len(self._held) + times.size
        fates = Fates(np.zeros(size, bool), np.zeros(size, np.int64), np.zeros(size, bool))
        seconds, usual_s = times / _NS, usual / _NS
        k = 0
        while k < times.size:
            if not self._held and not self.lost and len(self._good) > 1:
                some = slice(k, k + _SLICE)
                number = self._ordinary_run(
                    seconds[some], positions[some], usual_s[some], self._number + k
                )
                fates.add(number, np.arange(k, k + number), good=True)
                k += number
                if number:
                    continue
            sample = Sample(float(seconds[k]), float(positions[k]), self._number + k)
            if self.lost and not self._held and sample.time - self._good[-1].time > _FOUND_S:
                fates.add(times.size - k, np.arange(k, times.size), good=False)
                break
            self._take(sample, float(usual_s[k]), k, fates)
            k += 1
        self._number += times.size
        return fates.verdicts()

    def decide(self, usual: int) -> Verdicts:
        """Decide on what waits though no sample follows: the encoder rests there, or it jumped.

        Args:
            usual: the encoder's usual interval, ns.
        """
        size = len(self._held)
        fates = Fates(np.zeros(size, bool), np.zeros(size, np.int64), np.zeros(size, bool))
        if size and not self.lost:
            if size == 1 and self._limits.fit(self._good, self._held[0], usual / _NS).reachable:
                self._accept_held(0, fates)
            else:
                self._lose(0, fates)
        return fates.verdicts()

    def restart(self) -> None:
        """Take the next sample as good wherever it is: the position was set.

        What waits is discarded.
        """
        self._good.clear()
        self._held.clear()
        self._stray.clear()
        self._earlier.clear()
        self._run, self._broken, self._confirmed, self.lost = 0, False, False, False

    def lose(self) -> None:
        """Take no sample as good until `restart`: the counter cannot be relied on.

        What waits is discarded.
        """
        self._held.clear()
        self.lost = True
        # No sample is near enough in time to be found again.
        self._good = [Sample(-np.inf, 0.0, -1)]

    def _ordinary_run(self, seconds: Floats, positions: Floats, usual: Floats, first: int) -> int:
        """Accept the next samples as long as nothing about them is in question; return how many.

        Args:
            seconds: shape (n,).
            positions: mm, shape (n,).
            usual: usual interval with each, s, shape (n,).
            first: number of the first of them in the stream.
        """
        learnt = sum(speeds.size for speeds in self._speeds)
        room = SPEED_BLOCK - learnt
        t = np.concatenate(([sample.time for sample in self._good], seconds[:room]))
        x = np.concatenate(([sample.position for sample in self._good], positions[:room]))
        usual = usual[:room]
        spans, steps = np.diff(t), self._limits.steps(x)
        widths = np.concatenate((usual[:1], usual))
        strides = np.ones(steps.size, np.int64)
        strides[0] = self._good[1].number - self._good[0].number
        strides[1:2] = first - self._good[1].number
        ordinary = self._limits.ordinary(steps, spans, strides, widths)
        number = ordinary.size if ordinary.all() else int(np.argmin(ordinary))
        if number:
            some = slice(1, number + 1)
            self._learn(self._limits.speeds(steps[some], spans[some], widths[some]))
            course = [
                self._good[k] if k < 2 else Sample(float(t[k]), float(x[k]), first + k - 2)
                for k in range(max(number - 2, 0), number + 2)
            ]
            self._earlier = [*self._earlier, *course[:-2]][-2:]
            self._good = course[-2:]
            self._confirmed = True
        return number

    def _learn(self, speeds: Floats) -> None:
        self._speeds.append(speeds)
        if sum(speeds.size for speeds in self._speeds) >= SPEED_BLOCK:
            self._limits.learn(np.concatenate(self._speeds))
            self._speeds.clear()

    def _take(self, sample: Sample, usual: float, by: int, fates: Fates) -> None:
        if self.lost:
            self._take_lost(sample, usual, by, fates)
        elif not self._good:
            self._accept(sample, usual, by, fates)
        elif not self._held:
            self._take_next(sample, usual, by, fates)
        elif len(self._held) == 1:
            self._take_second(self._held[0], sample, usual, by, fates)
        else:
            self._take_later(sample, usual, by, fates)

    def _take_next(self, sample: Sample, usual: float, by: int, fates: Fates) -> None:
        """Take a sample while none waits."""
        if self._limits.fit(self._good, sample, usual).ordinary:
            self._accept(sample, usual, by, fates)
        else:
            self._held.append(sample)
            self._run = 1

    def _take_second(
        self, held: Sample, sample: Sample, usual: float, by: int, fates: Fates
    ) -> None:
        """Take a sample while one waits."""
        limits, good = self._limits, self._good
        moved = limits.fit(good, held, usual).reachable
        onward = limits.fit([good[-1], held], sample, usual).granted
        spike = limits.is_spike(good[-1], held, sample, usual)
        without = limits.fit(good, sample, usual)
        beyond = limits.off_course(good, sample, held, usual)
        if (spike or not moved) and without.reachable and without.off <= beyond:
            self._discard_held(by, fates)
            self._take_next(sample, usual, by, fates)
            return
        if moved and onward:
            self._accept_held(by, fates, usual)
            self._take_next(sample, usual, by, fates)
            return
        follows = limits.fit([held], sample, usual).reachable
        self._hold(sample, usual, by, fates, follows=follows)

    def _take_later(self, sample: Sample, usual: float, by: int, fates: Fates) -> None:
        """Take a sample while several wait."""
        limits = self._limits
        run = self._held[-min(self._run, 2) :]
        onward, without = limits.fit(run, sample, usual), limits.fit(self._good, sample, usual)
        beyond = limits.off_course(self._good if len(run) < 2 else run, sample, run[-1], usual)
        if without.reachable and without.off <= beyond:
            self._discard_held(by, fates)
            self._broken = True
            self._held.append(sample)
            self._run = 1
            return
        self._hold(sample, usual, by, fates, follows=onward.reachable)

    def _hold(self, sample: Sample, usual: float, by: int, fates: Fates, *, follows: bool) -> None:
        """Let a sample wait with others; many are a jump, or garbage."""
        self._held.append(sample)
        self._run = self._run + 1 if follows else 1
        if self._run >= _LASTING_SAMPLES - 1 and not self._confirmed:
            # One or two are no evidence against several: it was the first one that was wrong.
            fates.add(len(self._held) - 1, by, good=False)
            self.glitches += len(self._held) - self._run + 1
            self._held.clear()
            self._good, self._earlier = [sample], []
            fates.add(1, by, good=True, reset=True)
        elif self._run >= _LASTING_SAMPLES and (off := self._last_off(usual)):
            wrong = len(self._held) - self._run
            fates.add(wrong, by, good=False)
            fates.add(self._run, by, good=True)
            self._earlier, self._good = self._held[-4:-2], self._held[-2:]
            self._held.clear()
            self.glitches += wrong + off
        elif self._run >= _LASTING_SAMPLES and self._is_motion(usual):
            fates.add(self._run, by, good=True)
            self._earlier, self._good = self._held[-4:-2], self._held[-2:]
            self._held.clear()
        elif self._run >= _LASTING_SAMPLES or len(self._held) >= _GARBAGE_SAMPLES:
            self._lose(by, fates)

    def _is_motion(self, usual: float) -> bool:
        """Return whether each sample that waits is reachable from the ones before it.

        Two bends beyond the granted acceleration in a row are a jerk if what follows continues from
        them.
        """
        if self._run < len(self._held):
            return False
        first, second = self._held[:2]
        return (
            self._limits.fit(self._good, first, usual).reachable
            and self._limits.fit([self._good[-1], first], second, usual).reachable
        )

    def _last_off(self, usual: float) -> int:
        """Return how many of the last two good samples were glitches; 0 where it is not them.

        What waits then follows from the samples before: the glitches were too small to show by
        themselves, and led the course astray.
        """
        course, first = [*self._earlier, *self._good], self._held[-self._run]
        off = self._limits.fit(self._good, first, usual).off
        for count in range(1, len(course) - 1):
            without = self._limits.fit(course[-count - 2 : -count], first, usual)
            if without.reachable and without.off <= off / 2:
                return count
        return 0

    def _lose(self, by: int, fates: Fates) -> None:
        last, newest = self._good[-1], self._held[-1]
        jump = self._limits.step(last.position, newest.position)
        fates.events.append(FilterEvent(by, True, last, jump))
        fates.add(len(self._held), by, good=False)
        self._stray = self._held[-2:]
        self._held.clear()
        self.lost = True

    def _take_lost(self, sample: Sample, usual: float, by: int, fates: Fates) -> None:
        """Take a sample while the position is lost."""
        limits = self._limits
        if self._held and not limits.fit(self._held[-2:], sample, usual).reachable:
            fates.add(len(self._held), by, good=False)
            self._stray = self._held[-2:]
            self._held.clear()
        if self._held or self._is_back(sample, usual):
            self._held.append(sample)
            if len(self._held) >= _LASTING_SAMPLES:
                fates.events.append(FilterEvent(by, False, self._good[-1], 0.0))
                self.lost, self._earlier, self._good = False, [], self._held[-2:]
                fates.add(len(self._held), by, good=True, reset=True)
                self._held.clear()
            return
        self._stray = [*self._stray, sample][-2:]
        fates.add(1, by, good=False)

    def _is_back(self, sample: Sample, usual: float) -> bool:
        """Return whether a sample jumped back to where the course of the lost position leads."""
        limits, good = self._limits, self._good
        span = sample.time - good[-1].time
        if span > _FOUND_S:
            return False
        if self._stray and limits.fit(self._stray, sample, usual).reachable:
            return False  # it came by continuous steps
        off = limits.off_course(good, sample, good[-1], usual)
        if off > min(_FOUND_ACCELERATION * span**2 / 2, _FOUND_MM) + limits.slack:
            return False
        speed = abs(limits.step(good[0].position, good[-1].position)) / max(
            good[-1].time - good[0].time, usual, 1e-3
        )
        return abs(limits.step(0.0, sample.position)) > (speed + _SLOW) * span + limits.slack

    def _accept(self, sample: Sample, usual: float, by: int, fates: Fates) -> None:
        if self._good:
            step = self._limits.step(self._good[-1].position, sample.position)
            span = sample.time - self._good[-1].time
            made = (np.array([step]), np.array([span]), np.array([usual]))
            self._learn(self._limits.speeds(*made))
        if len(self._good) > 1:
            self._earlier = [*self._earlier, self._good[0]][-2:]
            self._confirmed = True
        self._good = [*self._good, sample][-2:]
        fates.add(1, by, good=True, reset=self._broken)
        self._broken = False

    def _accept_held(self, by: int, fates: Fates, usual: float = 0.0) -> None:
        self._accept(self._held.pop(), usual, by, fates)

    def _discard_held(self, by: int, fates: Fates) -> None:
        self.glitches += len(self._held)
        self._broken |= len(self._held) > 1
        fates.add(len(self._held), by, good=False)
        self._held.clear()
