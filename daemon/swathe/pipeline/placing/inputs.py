"""The devices of a run: links, tracks and scales, made from its station file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device import DeviceLink, DeviceTally
from swathe.pipeline.placing.encoder import CountsToPosition
from swathe.pipeline.placing.glitch_filter import GlitchFilter
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.place_uncertainty import PlaceSums
from swathe.pipeline.placing.placed import Placed
from swathe.pipeline.placing.placer import Placer
from swathe.pipeline.placing.pulses import HELD_NS
from swathe.pipeline.placing.return_watch import ReturnWatch
from swathe.pipeline.placing.slip import PositionSet, Slip, SlipWatch
from swathe.pipeline.placing.still_encoder import StillEncoderWatch, WatchedAxis
from swathe.pipeline.placing.streams import TimedBatch
from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack
from swathe.station import (
    AxisMode,
    AxisSettings,
    LineAdvance,
    Station,
    axis_source,
    decoder_of,
    makes_by_time,
    period_of,
    polling_of,
)

__all__ = ["DeviceInputs"]

# Positions of an encoder that differ by less than this share of a cell are the same.
_SAME_SHARE = 0.02


class _EncodedAxis:
    """One encoded axis: which column of which device, its scale and its track."""

    def __init__(
        self,
        name: str,
        settings: AxisSettings,
        links: dict[str, DeviceLink],
        *,
        bracket_ns: int,
        lateness_ns: int,
    ) -> None:
        self.device, counts = axis_source(name, settings)
        decoder = links[self.device].decoder
        self.column = decoder.axes.index(counts)
        self.counts = counts
        # Counts that go to and fro by one are those of a probe at rest.
        per_count = 0.0 if counts in decoder.length_axes else 1.0 / settings.scale
        self.same_within = max(1.5 * per_count, _SAME_SHARE * settings.resolution)
        self.scale = CountsToPosition(
            settings, bits=decoder.count_bits[counts], is_length=counts in decoder.length_axes
        )
        self.glitch_filter = GlitchFilter(settings.max_speed, settings.max_acceleration)
        self.track = EncodedTrack(bracket_ns=bracket_ns, lateness_ns=lateness_ns)


class _SecondSource:
    """A second source of an axis's position, which places nothing.

    Args:
        name: of the axis, which has a table ``second``.
        settings: of the axis.
        first: the axis as its first source gives it.
        links: the devices.
        limits: as of `_EncodedAxis`.
    """

    def __init__(
        self,
        name: str,
        settings: AxisSettings,
        first: _EncodedAxis,
        links: dict[str, DeviceLink],
        limits: dict[str, int],
    ) -> None:
        second = settings.second
        assert second is not None  # noqa: S101  the caller has looked
        same = settings.model_copy(
            update={
                **second.model_dump(include={"device", "counts", "counts_per_mm", "reversed"}),
                "wheel": second.wheel,
                "backlash": 0.0,
            }
        )
        self.axis = _EncodedAxis(name, same, links, **limits)
        self.has_mark = settings.index_mark_at is not None
        self.watch = SlipWatch(
            name,
            first.track,
            self.axis.track,
            second.tolerance,
            lateness_ns=limits["lateness_ns"],
        )

    def take(self, batch: TimedBatch) -> None:
        """Add the samples of a batch of its device."""
        counts = batch.positions["counts"][:, self.axis.column]
        positions = self.axis.scale.positions(counts)
        self.axis.track.append(batch.positions["time"], positions, known=batch.positions_known_at)


class DeviceInputs:
    """The devices of one run, wired to the placer.

    Args:
        station: the station file in force.
        tallies: counts by device, across the runs of a survey.
        line: the line in force on a stepped index axis.
        delays: of devices, ns, where other than the station file gives.

    Attributes:
        links: decoder and clock of each device.
        place_sums: of the survey, for the uncertainty of the places; see `begin_sums`.
        pauses: in which no return of the probe steps the line.
        conditions: changes of the conditions of axes, for alarms; see `take_conditions`.
    """

    def __init__(
        self,
        station: Station,
        tallies: dict[str, DeviceTally],
        *,
        line: int = 0,
        delays: Mapping[str, int] | None = None,
    ) -> None:
        self.links = {
            name: DeviceLink(
                decoder=decoder_of(device),
                delay_ns=(delays or {}).get(name, device.delay_given),
                tally=tallies.setdefault(name, DeviceTally()),
                echo=station.echo,
                by_time=makes_by_time(device),
                period_ns=period_of(device),
                polling=polling_of(device),
            )
            for name, device in station.device.items()
        }
        bracket = station.placing.bracket
        limits = {"bracket_ns": bracket, "lateness_ns": station.placing.lateness}
        self._on_change = {name for name, d in station.device.items() if d.on_change}
        self._silent_devices: set[str] = set()
        self._scan = _EncodedAxis("scan", station.scan, self.links, **limits)
        self._index: _EncodedAxis | None = None
        self.stepped: SteppedTrack | None = None
        if station.index is not None and station.index.mode is not AxisMode.STEPPED:
            self._index = _EncodedAxis("index", station.index, self.links, **limits)
        else:
            axis = station.index_axis
            self.stepped = SteppedTrack(start=axis.start, step=axis.resolution, lines=axis.cells)
            self.stepped.step_to(line, 0)
        self._still = StillEncoderWatch(
            {
                name: WatchedAxis(
                    axis.device,
                    axis.counts,
                    tolerance=axis.same_within,
                    on_change=axis.device in self._on_change,
                )
                for name, axis in (("scan", self._scan), ("index", self._index))
                if axis is not None
            }
        )
        self.conditions: list[Condition] = []
        self._slip_events: list[Slip | PositionSet] = []
        self._second = {
            name: _SecondSource(name, settings, axis, self.links, limits)
            for name, settings, axis in (
                ("scan", station.scan, self._scan),
                ("index", station.index, self._index),
            )
            if axis is not None and settings is not None and settings.second is not None
        }
        self.placer = Placer(
            scan=self._scan.track,
            index=self._index.track if self._index else self._required_steps(),
            bracket_ns=bracket,
            lateness_ns=station.placing.lateness,
            held_ns=self._longest_hold(),
        )
        self.pauses = Pauses()
        self.place_sums: PlaceSums | None = None
        self._bracket = bracket
        self._returns: ReturnWatch | None = None
        advance = station.index.advance if station.index and self.stepped else None
        if advance is LineAdvance.RETURN:
            self._returns = ReturnWatch(station.scan_axis)

    def _longest_hold(self) -> int:
        """Return how long a sample may wait until its time is known, ns."""
        axes = [axis for axis in (self._scan, self._index) if axis is not None]
        return HELD_NS if any(self.links[axis.device].may_hold for axis in axes) else 0

    def _required_steps(self) -> SteppedTrack:
        assert self.stepped is not None  # noqa: S101  set just before when no index axis is encoded
        return self.stepped

    def take(self, device: str, batch: TimedBatch) -> Placed | None:
        """Hand a batch to the placer; return readings that carry their own position, if any."""
        own: dict[str, NDArray[np.float64]] = {}
        for axis, name in ((self._scan, "scan"), (self._index, "index")):
            if axis is None or axis.device != device or not batch.positions.size:
                continue
            times = batch.positions["time"]
            positions = axis.scale.positions(
                batch.positions["counts"][:, axis.column], batch.positions["mark"][:, axis.column]
            )
            self._still.add_positions(name, positions, batch.positions_known_at)
            before = axis.glitch_filter.glitches
            good = axis.glitch_filter.keep(times, positions)
            self.links[device].tally.glitches += axis.glitch_filter.glitches - before
            resets = axis.scale.resets | axis.glitch_filter.resets
            axis.track.append(
                times[good],
                positions[good],
                resets[good],
                batch.positions_known_at[good],
                rests=device in self._on_change,
                broken=device in self._silent_devices,
                uncertainty=self._position_uncertainty(batch)[good],
            )
            if axis is self._scan and self.place_sums is not None:
                self.place_sums.add_samples(times[good], positions[good])
            if good.any():
                self._silent_devices.discard(device)
            if name in self._second and self._second[name].has_mark:
                on_mark = good & batch.positions["mark"][:, axis.column]
                for k in np.flatnonzero(on_mark).tolist():  # few: one each time it is passed
                    time, known = int(times[k]), int(batch.positions_known_at[k])
                    self._second[name].watch.set_at(time)
                    self._slip_events.append(PositionSet(name, time, known))
            own[name] = np.where(good, positions, np.nan)
            if axis is self._scan and self._returns is not None:
                returns = np.array(self._returns.returns(times[good], positions[good]), np.int64)
                for time in returns[~self.pauses.holds(returns)].tolist():
                    self._next_line(time)
        for second in self._second.values():
            if second.axis.device == device and batch.positions.size:
                second.take(batch)
        if not batch.readings.size:
            return None
        counted = ~self.pauses.holds(batch.readings["time"])
        self._still.add_readings(batch.readings[counted], batch.readings_known_at[counted])
        if batch.combined and "scan" in own and (self._index is None or "index" in own):
            return self.placer.place_combined(
                batch.readings,
                own["scan"],
                own.get("index"),
                batch.readings_known_at,
                timing=batch.readings_timing,
            )
        self.placer.add_readings(
            batch.readings,
            batch.readings_known_at,
            timing=batch.readings_timing,
            arrived=batch.readings_arrived,
        )
        return None

    @staticmethod
    def _position_uncertainty(batch: TimedBatch) -> NDArray[np.int64]:
        """Return the standard uncertainty of the times of positions, ns, shape (n,)."""
        timing = batch.readings_timing if batch.combined else batch.positions_timing
        return timing.uncertainty

    def begin_sums(self, sums: PlaceSums, settings: AxisSettings) -> None:
        """Let the sums for the uncertainty of the places continue with this run's encoder.

        Args:
            sums: of the survey.
            settings: of the scan axis.
        """
        decoder = self.links[self._scan.device].decoder
        is_length = decoder.axes[self._scan.column] in decoder.length_axes
        zero = settings.zero_at if settings.index_mark_at is None else settings.index_mark_at
        self.place_sums = sums
        sums.begin(
            zero=zero,
            count_mm=0.0 if is_length else 1 / settings.scale,
            bracket_ns=self._bracket,
        )

    def end_answers(self, known: int) -> None:
        """Take note, at a journal time in ns, that nothing more is sent to the devices."""
        for link in self.links.values():
            link.end_answers(known)

    def _next_line(self, time: int) -> None:
        """Step a stepped index axis by a line at `time`; the last line stays."""
        if self.stepped is not None and self.stepped.line + 1 < self.stepped.lines:
            self.stepped.step_to(self.stepped.line + 1, time)

    def set_line(self, line: int, time: int) -> None:
        """Put another line in force, by a mark."""
        if self.stepped is not None:
            self.stepped.step_to(line, time)
            if self._returns is not None:
                self._returns.disarm()

    def reference(self, scan: float | None, index: float | None, time: int) -> None:
        """Set the encoded axes to the position at which the probe rests, mm, at `time`, ns."""
        for name, axis, place in (("scan", self._scan, scan), ("index", self._index, index)):
            if axis is None or place is None or axis.track.last_position is None:
                continue
            axis.scale.set_here(place, axis.track.last_position)
            axis.glitch_filter.restart()
            last = axis.track.last_time
            reset = np.array([True])
            known = np.array([time], np.int64)
            axis.track.append(np.array([last], np.int64), np.array([place]), reset, known)
            if name in self._second:
                self._second[name].watch.restart()  # the second source was not set to this position
            if axis is self._scan and self.place_sums is not None:
                self.place_sums.set_zero(place)
        self._still.restart()

    def port_changed(self, device: str, now: int) -> None:
        """Let the rest of a device that sends on change end at `now`, until it sends again.

        An encoder that sends on change is silent while it stands still, and while it is unplugged.
        """
        for axis in self._resting_axes():
            if axis.device == device:
                axis.track.hold(now, final=True)
        self._silent_devices.add(device)
        is_open = self.links[device].tally.state == "open"
        self._still.port_changed(device, now, is_open=is_open)

    def _resting_axes(self) -> list[_EncodedAxis]:
        """Return the axes whose encoder sends on change, and rests as long as it is silent."""
        if not self._on_change:
            return []
        resting = self._on_change - self._silent_devices
        return [axis for axis in (self._scan, self._index) if axis and axis.device in resting]

    def advance(self, now: int) -> None:
        """Advance to `now`, ns: an encoder that sends on change and is silent stands still."""
        held = [link.held_since[0] for link in self.links.values()]
        self.placer.reading_times.held_since = min(
            (time for time in held if time is not None), default=None
        )
        for axis in self._resting_axes():
            axis.track.hold(now)
        self._still.advance(now)
        for second in self._second.values():
            self._slip_events += second.watch.look()

    def take_slip_events(self) -> list[Slip | PositionSet]:
        """Return slips and set positions found since the last call, in any order."""
        events = self._slip_events.copy()
        self._slip_events.clear()
        return events

    def take_conditions(self) -> list[Condition]:
        """Return the changes of conditions of axes and devices since the last call."""
        changes = self.conditions + self._still.conditions
        self.conditions.clear()
        self._still.conditions.clear()
        for link in self.links.values():
            changes += link.conditions
            link.conditions.clear()
        return changes

    def position_at(self, time: int) -> tuple[float | None, float | None]:
        """Return the (scan, index) position known at the journal time `time`, mm; None if unknown."""
        scan = self._scan.track.position_at(time)
        if self._index is not None:
            return scan, self._index.track.position_at(time)
        return scan, float(self._required_steps().locate(np.array([time])).position[0])

    @property
    def last_sample_times(self) -> tuple[int | None, int | None]:
        """Host time of the newest sample of scan and of index, ns; None before the first."""
        index = None if self._index is None else self._index.track.last_time
        return self._scan.track.last_time, index

    @property
    def position(self) -> tuple[float | None, float | None]:
        """The newest (scan, index) position, mm; None where unknown."""
        scan = self._scan.track.last_position
        if self._index is not None:
            return scan, self._index.track.last_position
        steps = self._required_steps()
        newest: NDArray[Any] = np.array([np.iinfo(np.int64).max])
        return scan, float(steps.locate(newest).position[0])
