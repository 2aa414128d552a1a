"""What is watched of the devices of a run: silence, positions that stand still, values that repeat."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoded_axis import EncodedAxis
from swathe.pipeline.placing.repeated_values import RepeatedValues
from swathe.pipeline.placing.silent_device import SilentDevice
from swathe.pipeline.placing.standstill import Standstills
from swathe.pipeline.placing.still_encoder import StillEncoderWatch, WatchedAxis
from swathe.station import Station, probes_of

__all__ = ["DeviceWatches"]


class DeviceWatches:
    """Watches the devices of one run, for alarms.

    Args:
        station: the station file in force.
        links: of the devices, by name.
        axes: the encoded axes.
        standstills: of the process.
    """

    def __init__(
        self,
        station: Station,
        links: Mapping[str, DeviceLink],
        axes: tuple[EncodedAxis, ...],
        standstills: Standstills,
    ) -> None:
        self._links = links
        self._standstills = standstills
        self._repeated = {
            probe.number: RepeatedValues(
                f"{probe.device} probe {probe.name}" if probe.name else probe.device,
                station.display,
            )
            for probe in probes_of(station).probes
        }
        self._still = StillEncoderWatch(
            {
                axis.name: WatchedAxis(
                    axis.device,
                    axis.counts,
                    tolerance=axis.same_within,
                    on_change=station.device[axis.device].on_change,
                )
                for axis in axes
            },
            station.display,
        )
        self._silence = {
            name: SilentDevice(
                name, polled=links[name].answers is not None, limit_ns=station.alarms.silent
            )
            for name, device in station.device.items()
            if not (device.on_change or device.triggered)
        }

    def add_positions(self, axis: EncodedAxis, counts: Floats, known: Times) -> None:
        """Add samples of an axis; see `StillEncoderWatch.add_positions`."""
        self._still.add_positions(axis.name, counts * axis.scale.mm_per_count, known)

    def add_readings(self, device: str, readings: NDArray[Any], known: Times) -> None:
        """Add readings that were not in a pause; see `StillEncoderWatch.add_readings`."""
        self._still.add_readings(readings, known)
        if self._links[device].decoder.held_after:
            return
        for number, repeated in self._repeated.items():
            if len(self._repeated) == 1:
                repeated.add(readings, known)
            elif (rows := readings["probe"] == number).any():
                repeated.add(readings[rows], known[rows])

    def position_set(self) -> None:
        """An axis was set to a position: that is no motion, and no rest."""
        self._still.restart()

    def port_changed(self, device: str, now: int, *, is_open: bool) -> None:
        """The port of a device was opened at `now`, ns, or is not open any more."""
        self._still.port_changed(device, now, is_open=is_open)
        if device in self._silence:
            self._silence[device].port_changed(now, is_open=is_open)

    def advance(self, now: int) -> None:
        """Look at all that came before the journal time `now`, ns."""
        for name, link in self._links.items():
            arrived = np.array(link.arrived, np.int64)
            self._still.add_bytes(name, arrived)
            if (silence := self._silence.get(name)) is not None:
                silence.add_unanswered(link.unanswered)
                silence.advance(arrived, now, self._standstills)
            link.arrived.clear()
            link.unanswered.clear()
        self._still.advance(now)
        for repeated in self._repeated.values():
            repeated.advance(self._still.rested, self._still.looked)
        self._still.rested.clear()

    def take_conditions(self) -> list[Condition]:
        """Return the changes of conditions since the last call."""
        changes: list[Condition] = []
        silences = [silence.conditions for silence in self._silence.values()]
        repeats = [repeated.conditions for repeated in self._repeated.values()]
        for found in (self._still.conditions, *repeats, *silences):
            changes += found
            found.clear()
        return changes
