"""What each probe of a station reads while its ports are listened to, without any survey."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.journal import Chunk, PortChange, Sent
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.progress.probes_now import ProbeNow, probes_now
from swathe.pipeline.spurious.limits import thickness_limits
from swathe.station import AxisMode, Station

__all__ = ["LiveProbes"]


class LiveProbes:
    """Follows the devices of a station as a run does, and says what each probe reads and where it is.

    Args:
        station: with its calibrations.

    Raises:
        CalibrationError: their corrections cannot be applied.
    """

    def __init__(self, station: Station) -> None:
        self._station = station
        self._inputs = DeviceInputs(station, {})
        self._calibration = CalibrationInForce()
        self._calibration.open_run(station)
        self._ended = 0

    def take(self, entry: Chunk | PortChange | Sent) -> None:
        """Take what a port received, or what was sent to it."""
        link = self._inputs.links[entry.port]
        if isinstance(entry, Chunk):
            link.take(entry.data, entry.time)
        elif isinstance(entry, PortChange):
            link.tally.state, link.tally.detail = entry.state, entry.detail
        elif entry.unanswered:
            link.give_up(entry.time)
        else:
            link.send(entry.data, entry.time)

    def end(self, time: int) -> None:
        """Let nothing more come from a time of the host, ns, on: that is now for what is returned."""
        self._ended = time
        self._inputs.end_answers(time)
        for device, link in self._inputs.links.items():
            batch = link.decode(now=time, flush=True)
            if batch is not None:
                self._inputs.take(device, batch, counts=False)
        self._inputs.advance(time)

    def lines(self) -> tuple[list[str], bool]:
        """Return a line for each probe, and whether each has sent a reading."""
        found = probes_now(self._inputs, self._calibration, thickness_limits(self._station))
        probes = self._inputs.probes.probes
        texts = [f"{probe}: {self._text(seen)}" for probe, seen in zip(probes, found, strict=True)]
        return texts, all(seen.arrived is not None for seen in found)

    def _text(self, seen: ProbeNow) -> str:
        units = self._station.display
        if seen.arrived is None:
            return "NO READING"
        parts = [_value_text(seen, units)]
        if seen.amplitude is not None:
            parts.append(f"amplitude {seen.amplitude:.0f} %")
        parts.append(f"{max(self._ended - seen.arrived, 0) / 1e6:.0f} ms old")
        return ", ".join([*parts, *self._place(seen)])

    def _place(self, seen: ProbeNow) -> list[str]:
        """Return the place on the axes that have an encoder; no encoder gives that of a line."""
        station = self._station
        if station.spots is not None:
            return []
        axes = [("scan", seen.scan, station.scan)]
        if station.index is not None and station.index.mode is not AxisMode.STEPPED:
            axes.append(("index", seen.index, station.index))
        if any(place is None for _, place, _ in axes):
            return ["at an unknown place"]
        texts = [
            f"{name} {station.display.place_text(place or 0.0, axis.resolution)}"
            for name, place, axis in axes
        ]
        return ["at " + ", ".join(texts)]


def _value_text(seen: ProbeNow, units: DisplayUnits) -> str:
    if not seen.has_echo:
        return "no echo"
    if seen.thickness is not None:
        return f"echo, {units.with_unit(units.number(seen.thickness, 3, 3))}"
    if seen.time_of_flight is not None:
        return f"echo, time of flight {seen.time_of_flight:.3f} µs without a calibration"
    return "echo"
