"""The devices of a run: links, tracks and scales, made from its station file."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.axis_samples import AxisSamples
from swathe.pipeline.placing.carried_probe import CarriedProbe
from swathe.pipeline.placing.combined import CombinedReadings
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device_links import links_of
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.device_watches import DeviceWatches
from swathe.pipeline.placing.encoded_axis import EncodedAxis
from swathe.pipeline.placing.heading import heading_axis, heading_conditions
from swathe.pipeline.placing.lost_positions import LostPositions
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.place_uncertainty import PlaceSums
from swathe.pipeline.placing.placed import Placed
from swathe.pipeline.placing.placer import Placer
from swathe.pipeline.placing.probe_numbers import ProbeNumbers
from swathe.pipeline.placing.pulses import HELD_NS
from swathe.pipeline.placing.second_source import second_sources
from swathe.pipeline.placing.slip import PositionSet, Slip
from swathe.pipeline.placing.standstill import Standstills
from swathe.pipeline.placing.stepped_index import SteppedIndex
from swathe.pipeline.placing.streams import TimedBatch
from swathe.pipeline.placing.unencoded_axis import UnencodedAxis
from swathe.station import NO_PROBE, AxisMode, AxisSettings, Station, probes_of

__all__ = ["DeviceInputs"]


class DeviceInputs:
    """The devices of one run, wired to the placer.

    Args:
        station: the station file in force.
        tallies: counts by device, across the runs of a survey.
        line: the line in force on a stepped index axis.
        in_doubt: whether the probe did not move on that line so far.
        delays: of devices, ns, where other than the station file gives.

    Attributes:
        links: decoder and clock of each device.
        probes: of the carriage.
        probe_numbers: gives readings the numbers of their probes.
        place_sums: of the survey, for the uncertainty of the places; see `begin_sums`.
        positions: of which axes they are lost.
        standstills: of the process.
        pauses: in which readings say nothing about the devices.
        heading: axis of the carriage's heading, degrees; None where it keeps its direction.
        conditions: changes of the conditions of axes, for alarms; see `take_conditions`.
    """

    def __init__(
        self,
        station: Station,
        tallies: dict[str, DeviceTally],
        *,
        line: int = 0,
        in_doubt: bool = False,
        delays: Mapping[str, int] | None = None,
    ) -> None:
        self.links = links_of(station, tallies, delays or {})
        self.probes = probes_of(station)
        self.probe_numbers = ProbeNumbers(self.probes, tallies)
        bracket = station.placing.bracket
        limits = {"bracket_ns": bracket, "lateness_ns": station.placing.lateness}
        self._on_change = {name for name, d in station.device.items() if d.on_change}
        self._silent_devices: set[str] = set()
        self._lost_ports: set[str] = set()

        def encoded(name: str, axis: AxisSettings) -> EncodedAxis:
            # A device that sends readings with its counts is not silent at rest.
            device = axis.device or ""
            rests = device in self._on_change and not self.links[device].decoder.combined
            return EncodedAxis(name, axis, self.links, **limits, rests=rests, units=station.display)

        self._scan: EncodedAxis | UnencodedAxis = UnencodedAxis("scan")
        if station.spots is None:
            self._scan = encoded("scan", station.scan)
        self._index: EncodedAxis | None = None
        self.stepped: SteppedIndex | None = None
        if station.index is not None and station.index.mode is not AxisMode.STEPPED:
            self._index = encoded("index", station.index)
        else:
            noise = self._scan.same_within
            self.stepped = SteppedIndex(station, noise=noise, line=line, in_doubt=in_doubt)
        axes = (self._scan, self._index)
        self._axes = tuple(axis for axis in axes if isinstance(axis, EncodedAxis))
        self.heading = heading_axis(station, self.links, rests=self._on_change)
        self._tracked = (*self._axes, *([] if self.heading is None else [self.heading]))
        self.positions = LostPositions(self._axes, self.links)
        self.standstills = Standstills()
        for axis in self._tracked:
            axis.standstills = self.standstills
        self._glitches = dict.fromkeys((axis.name for axis in self._tracked), 0)
        # Readings have positions of their own if their device sends one on each axis.
        (first, *others) = {axis.device for axis in self._axes} or {""}
        is_combined = bool(first) and not others and self.links[first].decoder.combined
        self._combined_device = first if is_combined else ""
        self.combined = CombinedReadings(tuple(axis.name for axis in self._axes))
        self._watches = DeviceWatches(station, self.links, self._axes, self.standstills)
        self.conditions: list[Condition] = []
        self._slip_events: list[Slip | PositionSet] = []
        settings = {"scan": station.scan, "index": station.index}
        self._second = second_sources(self._axes, settings, self.links, limits)
        may_hold = any(self.links[axis.device].may_hold for axis in self._axes)
        self.placer = Placer(
            scan=self._scan.track,
            index=self._index.track if self._index else self._required_steps().placing,
            bracket_ns=bracket,
            lateness_ns=station.placing.lateness,
            held_ns=HELD_NS if may_hold else 0,
            probes=self.probes,
            heading=None if self.heading is None else self.heading.track,
        )
        self.pauses = Pauses()
        self.place_sums: PlaceSums | None = None
        self._bracket = bracket
        self._carried = CarriedProbe()

    def _required_steps(self) -> SteppedIndex:
        assert self.stepped is not None  # noqa: S101  set where no index axis is encoded
        return self.stepped

    def take(self, device: str, batch: TimedBatch, *, counts: bool = True) -> Placed | None:
        """Hand a batch to the placer; return readings that carry their own position, if any.

        Args:
            device: that sent it.
            batch: its records.
            counts: whether its readings may belong to a cell, as those on a block do not.
        """
        if (dropped := self.links[device].take_dropped()) is not None:
            self.placer.unplaced += dropped.shape[1]
            self.placer.probe_times.drop(device, *dropped)
        timing = batch.positions_timing
        damage = self.links[device].damage
        rested, damaged = damage.release(batch) if damage else (None, None)
        if device == self._combined_device:
            timing = timing.without_smear()
        for axis in self._tracked:
            if axis.device != device or not batch.positions.size:
                continue
            column = batch.positions["counts"][:, axis.column]
            if axis is not self.heading:
                self._watches.add_positions(axis, column, batch.positions_known_at)
            samples = axis.take(
                batch.positions["time"],
                column,
                batch.positions["mark"][:, axis.column],
                batch.positions_known_at,
                batch.positions["device_time"],
                uncertainty=timing.uncertainty,
                broken=device in self._silent_devices,
                smear=timing.smear,
                rested=rested,
                damaged=damaged,
            )
            if samples.good.any():
                self._silent_devices.discard(device)
            self._add_samples(axis, samples)
        for second in self._second.values():
            if second.axis.device == device and batch.positions.size:
                second.take(batch)
        if not batch.readings.size:
            return None
        if not counts:
            if device != self._combined_device:
                return None
            self.combined.add(batch.readings, batch.readings_known_at, counts=False)
            return self.combined.place(self.placer)
        counted = ~self.pauses.holds(batch.readings["time"])
        self._watches.add_readings(
            device, batch.readings[counted], batch.readings_known_at[counted]
        )
        if device == self._combined_device:
            self.placer.probe_times.add(
                batch.readings, batch.readings_known_at, batch.readings_timing.without_smear()
            )
            of_probe = batch.readings["probe"] != NO_PROBE
            self.combined.add(batch.readings, batch.readings_known_at, counts=of_probe)
            return self.combined.place(self.placer)
        waited = self.standstills.waited(batch.readings_arrived)
        waited &= batch.readings_timing.smear > 0
        self.placer.add_readings(
            batch.readings,
            batch.readings_known_at,
            timing=batch.readings_timing,
            arrived=batch.readings_arrived,
            used=~waited,
        )
        if waited.any():
            self.conditions += self.standstills.conditions(int(batch.readings_arrived[waited][0]))
        return None

    @property
    def waiting(self) -> list[NDArray[Any]]:
        """The readings that wait for their place, dtype `READING`, in parts."""
        stepped = [] if self.stepped is None else [self.stepped.waiting]
        return [self.placer.waiting, self.combined.waiting, *stepped]

    def note_unread(self, device: str) -> None:
        """Let silences in which the bytes of a gauge were damaged say nothing of its echo."""
        self.placer.probe_times.add_unread(device, self.links[device].take_faulty())

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

    def reference(self, scan: float | None, index: float | None, time: int) -> None:
        """Set the encoded axes to the position at which the probe rests, mm, at `time`, ns."""
        for name, axis, place in (("scan", self._scan, scan), ("index", self._index, index)):
            if not isinstance(axis, EncodedAxis) or place is None:
                continue
            if name in self.positions.unproven:
                # What the encoder counted where it was set is lost.
                self._add_samples(axis, axis.lose(time, "what it counted as it was set is lost"))
                continue
            samples = axis.reference(place, time)
            if samples is None:
                continue
            self._add_samples(axis, samples)
            if name in self._second:
                self._second[name].watch.restart()  # the second source was not set to this position
            if axis is self._scan and self.place_sums is not None:
                self.place_sums.set_zero(place)
        self._watches.position_set()

    def _add_samples(self, axis: EncodedAxis, samples: AxisSamples) -> None:
        """Take samples of which it is decided whether they are good."""
        tally = self.links[axis.device].tally
        tally.glitches += axis.glitches - self._glitches[axis.name]
        self._glitches[axis.name] = axis.glitches
        if axis.device == self._combined_device and axis is not self.heading:
            self.combined.decide(axis.name, samples)
        good = samples.good
        if self.positions.unproven and good.any():
            self.positions.unproven.discard(axis.name)
        if axis.name in self._second and self._second[axis.name].has_mark:
            for k in np.flatnonzero(good & samples.marks).tolist():  # one each time it is passed
                time, known = int(samples.times[k]), int(samples.known[k])
                self._second[axis.name].watch.set_at(time)
                self._slip_events.append(PositionSet(axis.name, time, known))
        if axis is self._scan and self.place_sums is not None:
            self.place_sums.add_samples(samples.times[good], samples.positions[good])

    def leave_part(self, time: int) -> None:
        """A hand carries the probe from the part at `time`, ns: counts mean nothing until it is back."""
        self._carried.leave(time, self.position)

    def return_to_part(self, time: int) -> None:
        """The probe is to be set down on the part again: where, nobody has said yet.

        A counter is turned in a hand, or is not turned though the probe is carried. So its position is
        lost at `time`, ns, whatever it counted meanwhile.
        """
        if (left := self._carried.put_down()) is None:
            return
        now = self.position
        for axis in self._axes:
            at = 0 if axis is self._scan else 1
            why = self._carried.why_lost(axis, left[at], now[at])
            self._add_samples(axis, axis.lose(time, why, last=left[at], same_counter=True))
        for second in self._second.values():
            second.watch.restart()

    def port_changed(self, device: str, now: int) -> None:
        """Let the rest of a device that sends on change end at `now`, until it sends again.

        An encoder that sends on change is silent while it stands still, and while it is unplugged.
        """
        self._rest_until(now, device, final=True)
        self._silent_devices.add(device)
        state = self.links[device].tally.state
        is_open = state == "open"
        if self.links[device].decoder.gives_readings and state != "closed":
            self.placer.probe_times.set_away(device, now, away=not is_open)
        if not is_open:
            self._lost_ports.add(device)
        elif device in self._lost_ports:
            self._lost_ports.discard(device)
            for axis in (one for one in self._tracked if one.device == device):
                if axis.keeps_count:
                    axis.cut_path(now)
                else:
                    self._add_samples(axis, axis.lose(now, "its port was lost and opened again"))
        self._watches.port_changed(device, now, is_open=is_open)

    def lose_bytes(self, now: int, *, until: int | None) -> None:
        """Let what the devices sent after `now`, ns, be lost until `until`, ns.

        Counts stay what they are, but no path leads over the gap; an index mark may be in it.
        """
        self._rest_until(now, final=True)
        for axis in self._tracked:
            self._silent_devices.add(axis.device)
            if axis is not self.heading:
                self.positions.unproven.add(axis.name)
            self._add_samples(axis, axis.break_path(now, until))
        for second in self._second.values():
            second.watch.restart()
        self.placer.probe_times.lose_bytes(now, until)
        for name, link in self.links.items():
            self._watches.port_changed(name, now, is_open=link.tally.state == "open")

    def count_again(self, but_for: Collection[str], time: int) -> None:
        """Let counts alone give the positions from `time`, ns, on, but for those of some axes."""
        for axis in self._axes:
            if axis.name not in but_for:
                self._add_samples(axis, axis.count_again(time))

    def _resting_axes(self) -> list[EncodedAxis]:
        """Return the axes whose encoder sends on change, and rests as long as it is silent."""
        if not self._on_change:
            return []
        resting = self._on_change - self._silent_devices
        return [axis for axis in self._tracked if axis.rests and axis.device in resting]

    def _rest_until(self, now: int, device: str | None = None, *, final: bool = False) -> None:
        for axis in self._resting_axes():
            if device in (None, axis.device):
                self._add_samples(axis, axis.advance(now))
                damage = self.links[axis.device].damage
                axis.hold(now, final=final, unheard=damage.since if damage else None)

    def advance(self, now: int) -> None:
        """Advance to `now`, ns: an encoder that sends on change and is silent stands still."""
        self.placer.probe_times.hold(
            {name: link.held_since[0] for name, link in self.links.items()}
        )
        self._rest_until(now)
        self._watches.advance(now)
        for second in self._second.values():
            self._slip_events += second.watch.look()

    def take_slip_events(self) -> list[Slip | PositionSet]:
        """Return slips and set positions found since the last call, in any order."""
        events, self._slip_events = self._slip_events, []
        return self._carried.counted(events)

    def take_conditions(self) -> list[Condition]:
        """Return the changes of conditions of axes and devices since the last call."""
        changes = self.conditions + self._watches.take_conditions()
        self.conditions.clear()
        changes += [] if self.heading is None else heading_conditions(self.heading)
        changes += self.probe_numbers.conditions
        self.probe_numbers.conditions.clear()
        lists = [axis.conditions for axis in self._axes]
        for found in (*lists, *(link.conditions for link in self.links.values())):
            changes += found
            found.clear()
        return changes

    def position_at(self, time: int) -> tuple[float | None, float | None]:
        """Return the (scan, index) position known at the journal time `time`, mm; None if unknown."""
        scan = self._scan.track.position_at(time)
        if self._index is not None:
            return scan, self._index.track.position_at(time)
        return scan, float(self._required_steps().track.locate(np.array([time])).position[0])

    @property
    def last_sample_times(self) -> tuple[int | None, int | None]:
        """Host time of the newest sample of scan and of index, ns; None before the first."""
        index = None if self._index is None else self._index.last_time
        return self._scan.last_time, index

    @property
    def position(self) -> tuple[float | None, float | None]:
        """The newest (scan, index) position, mm; None where unknown."""
        scan = self._scan.position
        if self._index is not None:
            return scan, self._index.position
        steps = self._required_steps().track
        newest: NDArray[Any] = np.array([np.iinfo(np.int64).max])
        return scan, float(steps.locate(newest).position[0])
