"""One encoded axis: from counts as they were sent to a track, as long as its position is known."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats, Ints
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.placing.axis_samples import AxisSamples, WaitingSamples
from swathe.pipeline.placing.clock_restarts import ClockRestarts
from swathe.pipeline.placing.damaged_lines import RestEnds
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoder import CountsToPosition
from swathe.pipeline.placing.filter_verdicts import Verdicts
from swathe.pipeline.placing.glitch_filter import GlitchFilter
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.missing_samples import MissingSamples
from swathe.pipeline.placing.position_conditions import PositionConditions
from swathe.pipeline.placing.probe_limits import ProbeLimits
from swathe.pipeline.placing.standstill import Standstills
from swathe.pipeline.placing.track import EncodedTrack
from swathe.station import AxisMode, AxisSettings, axis_source

__all__ = ["EncodedAxis"]

# Positions within this share of a cell, or 1.5 counts, are those of a probe at rest.
_SAME_SHARE: Final = 0.02
# The counts at rest, of the newest samples: one read wrong is none of them.
_REST_SAMPLES: Final = 5


class EncodedAxis:
    """Which column of which device an axis is, its scale, its filter and its track.

    Args:
        name: ``scan`` or ``index``.
        settings: its table in the station file.
        links: the devices.
        bracket_ns: two samples further apart leave the time between unknown.
        lateness_ns: how long a sample may be on its way.
        rests: the encoder sends on change: silent, it is at rest.

    Attributes:
        name: as above.
        device: the device that sends the counts.
        counts: their column's name.
        column: their column's number.
        same_within: mm; positions that differ by no more are those of a probe at rest.
        scale: counts to mm.
        track: where the axis was.
        keeps_count: the counter keeps its count when the port is lost.
        rests: the encoder sends on change.
        conditions: whether the position is lost, as that changes.
        standstills: of the process: a sample that waited in one has no known time.
        was_set: a reference set the position.
        glitches: samples discarded since the start.
    """

    def __init__(
        self,
        name: str,
        settings: AxisSettings,
        links: dict[str, DeviceLink],
        bracket_ns: int,
        lateness_ns: int,
        *,
        rests: bool = False,
        units: DisplayUnits = MILLIMETRES,
    ) -> None:
        self.name = name
        self.device, self.counts = axis_source(name, settings)
        decoder = links[self.device].decoder
        self.column = decoder.axes.index(self.counts)
        is_length = self.counts in decoder.length_axes
        period = decoder.count_periods[self.counts]
        rounding = 0.0 if is_length else 1.0 / settings.scale
        self.same_within = max(1.5 * rounding, _SAME_SHARE * settings.resolution)
        self.scale = CountsToPosition(settings, period=period, is_length=is_length)
        self.track = EncodedTrack(bracket_ns=bracket_ns, lateness_ns=lateness_ns)
        self._has_mark = settings.index_mark_at is not None
        self._reports = PositionConditions(name, units, has_mark=self._has_mark)
        self.conditions = self._reports.changes
        self.standstills = Standstills()
        self._waited = False  # the last sample waited while the process stood still
        self.was_set = False
        self.keeps_count = settings.keeps_count
        periods = [period * (rounding or 1.0)] if period else []
        periods += [settings.length] if settings.mode is AxisMode.WRAPPED else []
        self._filter = GlitchFilter(
            ProbeLimits(
                max_speed=settings.max_speed,
                max_acceleration=settings.max_acceleration,
                rounding=rounding,
                periods=tuple(periods),
                keeps_count=self.keeps_count,
                rests=rests,
            )
        )
        self.rests = rests
        self._rest_ends = RestEnds()
        self._unheard: int | None = None
        self._lateness = lateness_ns
        self._usual = UsualInterval()
        self._missing = MissingSamples(cell=settings.resolution, rounding=rounding)
        self._waiting = WaitingSamples.none()
        self._newest: Floats = np.empty(0)  # counts of the newest samples, good or not
        self._last_time: int | None = None
        self._floor = int(np.iinfo(np.int64).min)
        self._pending: float | None = None  # where the probe rests, until a sample comes
        self._device_clock = ClockRestarts(decoder.clock_wrap_ns)
        self._cut: int | None = None  # journal time from which on no path leads to what was before

    @property
    def lost(self) -> bool:
        """Whether the position is lost."""
        return self._filter.lost

    @property
    def glitches(self) -> int:
        """Samples discarded so far that were none of a lost position."""
        return self._filter.glitches

    @property
    def position(self) -> float | None:
        """The newest position, mm; None where it is unknown."""
        return None if self._filter.lost or self.is_damaged else self.track.last_position

    @property
    def is_damaged(self) -> bool:
        """Whether bytes that were no record came since the last good sample of an axis that `rests`."""
        return self._unheard is not None or self._rest_ends.holds(self._waiting)

    @property
    def at_rest(self) -> bool:
        """Whether the newest samples are all at one place."""
        spread = float(np.ptp(self._newest)) if self._newest.size else 0.0
        return spread * abs(self.scale.mm_per_count) <= 2 * self.same_within

    @property
    def last_time(self) -> int | None:
        """Time of the newest sample, whether it is good or not, ns; None before the first."""
        return self._last_time

    def take(
        self,
        times: Ints,
        counts: Floats,
        marks: Bools,
        known: Ints,
        device_times: Ints | None = None,
        *,
        uncertainty: Ints | None = None,
        smear: Ints | None = None,
        rested: Ints | None = None,
        damaged: Bools | None = None,
        broken: bool = False,
    ) -> AxisSamples:
        """Take the next samples, shape (n,) each; return those that are decided by now.

        Args:
            times: ns.
            counts: as they were sent.
            marks: whether the index mark was on.
            known: journal times with which they arrived, ns, rising.
            device_times: by the device's own clock, ns, negative where it sent none.
            uncertainty: standard uncertainty of the times, ns; none by default.
            smear: by how much they may be older than their times say, ns; not at all by default.
            rested: see `DamagedLines.release`; until they arrived by default.
            damaged: likewise.
            broken: whether the encoder may have moved unseen before the first of them.
        """
        if times.size:
            self._newest = np.concatenate((self._newest, counts))[-_REST_SAMPLES:]
            self._last_time = int(times[-1])
            times = np.maximum.accumulate(np.maximum(times, self._floor))
            self._floor = int(times[-1])
        none = np.zeros(times.shape, np.int64)
        uncertainty = none if uncertainty is None else uncertainty
        smear = none if smear is None else smear
        silence = known if rested is None else rested, none > 0 if damaged is None else damaged
        new = WaitingSamples(times, counts, marks, known, uncertainty, smear, *silence)
        restarts = [] if self.keeps_count else self._device_clock.restarts(device_times, known)
        cuts = [0, *np.flatnonzero(marks).tolist()] if self._has_mark else [0]
        cuts += restarts
        if self.rests:
            silent = np.diff(known, prepend=self._waiting.known[-1:]) > self._lateness
            cuts += (np.flatnonzero(silent) + max(times.size - silent.size, 0)).tolist()
        parts: list[AxisSamples] = []
        cuts = sorted(set(cuts)) if times.size else []
        for begin, end in zip(cuts, [*cuts[1:], times.size], strict=True):
            piece = new[begin:end]
            at = int(piece.known[0])
            parts += self._decide(at)
            if begin in restarts:
                parts.append(self.lose(at, "the clock of its device started again"))
            if self._has_mark and piece.marks[0] and self._filter.lost:
                parts.append(self._flush(at))
                self._filter.restart()
                self._reports.found(at)
            elif self._pending is not None:
                parts.append(self._flush(at))
                self._begin_at(self._pending, float(piece.counts[0]))
                self._reports.found(at)
            parts.append(self._judge(piece, broken=broken and begin == 0))
        return AxisSamples.joined(parts)

    def _judge(self, piece: WaitingSamples, *, broken: bool) -> AxisSamples:
        usual = self._usual.follow(piece.times)
        raw = np.ascontiguousarray(piece.counts) * self.scale.mm_per_count
        verdicts = self._filter.keep(piece.times, raw, usual)
        self._waiting = self._waiting.followed_by(piece)
        return self._settle(verdicts, piece.known, broken=broken)

    def _decide(self, before: int) -> list[AxisSamples]:
        """Decide on what waits of an encoder at rest, if no sample came in time before `before`."""
        if not self.rests or not self._waiting.times.size:
            return []
        due = int(self._waiting.known[-1]) + self._lateness
        if due >= before:
            return []
        verdicts = self._filter.decide(self._usual.value)
        return [self._settle(verdicts, np.array([due]), broken=False)]

    def advance(self, now: int) -> AxisSamples:
        """Advance to the journal time `now`, ns; return the samples that time decides."""
        return AxisSamples.joined(self._decide(now))

    def hold(self, now: int, *, final: bool = False, unheard: int | None = None) -> None:
        """Let it rest until `now`, ns, as far as nothing else is known; `unheard`: see `DamagedLines.since`."""
        self._unheard = None if now - (unheard or now) <= self._lateness else unheard
        if not self._filter.lost:
            self.track.hold(self._rest_ends.end(now, unheard, self._waiting), final=final)

    def _settle(self, verdicts: Verdicts, known: Ints, *, broken: bool) -> AxisSamples:
        """Put the good samples of those that are decided onto the track.

        Args:
            verdicts: on the first of the samples that wait.
            known: journal times by which the verdicts refer to them, ns.
            broken: see `take`.
        """
        number = verdicts.good.size
        decided, self._waiting = self._waiting[:number], self._waiting[number:]
        good, at = verdicts.good, known[verdicts.by]
        positions = np.full(good.shape, np.nan)
        rested, damaged = self._rest_ends.before(decided, good)
        # No path leads to the first sample after a position that was lost.
        begins = [0, *np.flatnonzero(verdicts.resets).tolist()]
        for begin, end in zip(begins, [*begins[1:], number], strict=True):
            some = np.flatnonzero(good[begin:end]) + begin
            if not some.size:
                continue
            counts = np.ascontiguousarray(decided.counts[some])
            positions[some] = self.scale.positions(counts, decided.marks[some])
            resets = self.scale.resets | verdicts.resets[some]
            if self._cut is not None:
                after = np.flatnonzero(decided.known[some] >= self._cut)
                resets[after[:1]] = True
                self._cut = None if after.size else self._cut
            waited = self.standstills.waited(decided.known[some]) & (decided.smear[some] > 0)
            if waited.any() or self._waited:
                # Their counts are good, but nobody knows when they were sampled.
                resets = resets | np.diff(waited, prepend=self._waited)
                self._waited = bool(waited[-1])
                some, resets = some[~waited], resets[~waited]
            rows = decided[some]
            if self.rests:
                resets |= damaged[some]
            else:
                resets |= self._missing.turns_before(rows, positions[some], resets)
            self.track.append(
                rows.times,
                positions[some],
                resets,
                at[some],
                arrived=rested[some],
                uncertainty=rows.uncertainty,
                smear=rows.smear,
                rests=self.rests,
                broken=broken or bool(verdicts.resets[begin]),
            )
            broken = False
        for event in verdicts.events:
            by = int(known[event.by])
            if not event.lost:
                self._reports.found(by)
                continue
            if self.rests:
                # Until the first sample of the lost position it rested where it was.
                before = np.flatnonzero(good & (verdicts.by <= event.by))
                first = int(before[-1]) + 1 if before.size else 0
                self.track.hold(int(rested[first]), final=True)
            self._reports.jumped(by, self.track.last_position, event.jump)
        return AxisSamples(decided.times, positions, at, decided.marks)

    def _flush(self, known: int) -> AxisSamples:
        """Decide that nothing that waits is good, at the journal time `known`, ns."""
        self._missing.begin()
        waiting, self._waiting = self._waiting, WaitingSamples.none()
        return waiting.undecided(known)

    def lose(
        self, known: int, why: str, *, last: float | None = None, same_counter: bool = False
    ) -> AxisSamples:
        """Let the position be lost from the journal time `known`, ns, on, unless the axis keeps it.

        Returns the samples that waited, none of them good.

        Args:
            known: as above.
            why: for people.
            last: where it was known last, mm; by default where the track ends.
            same_counter: its counts continue from those it sent before.
        """
        flushed = self._flush(known)
        place = self.track.last_position
        if place is None:  # nothing was known before
            return flushed
        if last is not None or not self._filter.lost:  # a counter in a hand may have jumped, too
            self._reports.lost(known, place if last is None else last, why)
        self._filter.lose()
        if not same_counter:
            # What it sends from now on has nothing to do with what it sent before.
            self._newest = np.empty(0)
        self._pending = None
        return flushed

    def cut_path(self, until: int) -> None:
        """Let no path lead to the first sample that arrives from `until`, a journal time in ns, on.

        Its counts stay what they are: the probe may have gone to and fro meanwhile.
        """
        self._cut = until

    def break_path(self, known: int, until: int | None) -> AxisSamples:
        """Let samples be lost from `known` until `until`, journal times in ns: no path leads over them.

        Where an index mark sets the position, it is lost: the probe may have passed the mark. Returns
        the samples that waited, none of them good.
        """
        self._cut = until
        self._newest = np.empty(0)
        if self._has_mark:
            self._filter.lose()
            return self.lose(known, "bytes of the journal are lost")
        return AxisSamples.joined([])

    def count_again(self, known: int) -> AxisSamples:
        """Let counts alone give a position that was unknown from the start of the run.

        Not where a reference set it since, nor where the counter may have rolled over.
        """
        if not self._filter.lost or self.was_set or self.scale.rolls_over:
            return AxisSamples.joined([])
        flushed = self._flush(known)
        self._filter.restart()
        self._reports.found(known)
        return flushed

    def begin_lost(self, known: int, why: str = "was set in the run before") -> None:
        """Let the position be unknown from the start of a run, at a journal time, ns."""
        self._filter.lose()
        self._reports.unknown(known, why)

    def reference(self, place: float, time: int) -> AxisSamples | None:
        """Set the position at which the probe rests to `place`, mm, at the journal time `time`, ns.

        Returns the samples that waited, none of them good; None if no sample came so far.
        """
        last = self._last_time
        if last is None and not self._filter.lost:
            return None
        self.was_set = True
        flushed = self._flush(time)
        if not self._filter.lost and self.track.last_position is not None:
            assert self.track.last_time is not None  # noqa: S101  as it has a position
            self.scale.set_here(place, self.track.last_position)
            self._filter.restart()
            last = self.track.last_time
        elif self._newest.size and last is not None:
            self._begin_at(place, float(np.median(self._newest)))
            last = max(last, time - self._lateness) if self.rests else last
        else:
            self._pending = place
            return flushed
        self.track.append(
            np.array([last]), np.array([place]), np.array([True]), np.array([time], np.int64)
        )
        self._reports.found(time)
        return flushed

    def _begin_at(self, place: float, count: float) -> None:
        """Let the position be `place`, mm, at a count, whatever was before."""
        self.scale.set_count(place, count)
        self._filter.restart()
        self._pending = None
