"""The probes of a carriage: which device and input each one's readings come from, and where it is.

A station has one probe, with the table ``[probe]`` or without any, or several, each an entry of
``[[probe]]``. The encoders give the position of one point of the carriage, its datum; each probe is
at an offset from it. One probe is an array of one: its offset is 0, and every reading is its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats
from swathe.station.devices import gauge_of
from swathe.station.model import Station
from swathe.station.probe_tables import MOST_INPUT
from swathe.station.quality import CalibrationSettings, ProbeSettings

__all__ = [
    "NO_PROBE",
    "SINGLE_PROBE",
    "CarriageProbe",
    "ProbeArray",
    "probes_of",
    "station_of_probe",
    "stations_of_probes",
    "turn",
]

NO_PROBE = MOST_INPUT
"""The number of a reading whose input belongs to no probe of the station."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriageProbe:
    """A probe of the carriage.

    Attributes:
        number: from 0, in the order of the station file; `READING` has it in the column ``probe``.
        name: empty for the only one of a station without ``[[probe]]``.
        device: that gives its readings.
        input: of the device, by the device's own number; None for all that it sends.
        scan: offset from the carriage's datum, mm.
        index: likewise.
        delay_ns: of its readings in addition to the device's delay, ns.
    """

    number: int
    name: str
    device: str
    input: int | None
    scan: float = 0.0
    index: float = 0.0
    delay_ns: int = 0

    def __str__(self) -> str:
        return f"probe {self.name}" if self.name else "the probe"


@dataclass(frozen=True)
class ProbeArray:
    """The probes of a carriage, at fixed offsets from its datum.

    Attributes:
        probes: in the order of their numbers; at least one.
    """

    probes: tuple[CarriageProbe, ...]

    def __len__(self) -> int:
        """Return the number of probes."""
        return len(self.probes)

    @cached_property
    def offsets(self) -> Floats:
        """Offsets along scan and index, mm, shape (probes, 2)."""
        return np.array([(probe.scan, probe.index) for probe in self.probes])

    @property
    def at_datum(self) -> bool:
        """Whether every probe is at the datum, as the only one of a station without ``[[probe]]`` is."""
        return not self.offsets.any()

    def turned(self, heading: Floats) -> tuple[Floats, Floats]:
        """Return the offsets of all probes where the carriage has some headings.

        Args:
            heading: degrees, from the scan axis towards the index axis, shape (n,).

        Returns:
            Offsets along scan and along index, mm, shape (probes, n) each.
        """
        return turn(self.offsets[:, :1], self.offsets[:, 1:], heading)

    def devices(self) -> tuple[str, ...]:
        """Return the devices that give readings, in the order of their first probes."""
        return tuple(dict.fromkeys(probe.device for probe in self.probes))

    def of_device(self, device: str) -> tuple[CarriageProbe, ...]:
        """Return the probes of a device."""
        return tuple(probe for probe in self.probes if probe.device == device)

    def numbers_by_input(self, device: str) -> NDArray[np.uint8]:
        """Return the number of the probe at each input of a device, shape (256,).

        `NO_PROBE` where there is none.
        """
        numbers = np.full(MOST_INPUT + 1, NO_PROBE, np.uint8)
        for probe in self.of_device(device):
            if probe.input is None:
                numbers[:] = probe.number
            else:
                numbers[probe.input] = probe.number
        return numbers


def turn(scan: Floats, index: Floats, heading: Floats) -> tuple[Floats, Floats]:
    """Return offsets along scan and index, mm, turned by headings in degrees; shapes broadcast."""
    radians = np.deg2rad(heading)
    cosine, sine = np.cos(radians), np.sin(radians)
    return scan * cosine - index * sine, scan * sine + index * cosine


SINGLE_PROBE: Final = ProbeArray((CarriageProbe(number=0, name="", device="", input=None),))
"""One probe at the datum, whatever its device."""


def probes_of(station: Station) -> ProbeArray:
    """Return the probes of a station that was read and checked."""
    gauge = gauge_of(station)
    if not station.probes:
        return ProbeArray((CarriageProbe(number=0, name="", device=gauge, input=None),))
    return ProbeArray(
        tuple(
            CarriageProbe(
                number=number,
                name=probe.name,
                device=probe.device or gauge,
                input=probe.input,
                scan=probe.scan,
                index=probe.index,
                delay_ns=probe.delay,
            )
            for number, probe in enumerate(station.probes)
        )
    )


def station_of_probe(station: Station, number: int) -> Station:
    """Return the station as if it had one of its probes only, with that one's calibration and gates.

    Its device is the first one that gives readings. The station itself where it has no ``[[probe]]``.
    """
    if not station.probes:
        return station
    probe = station.probes[number]
    changes: dict[str, Any] = {"probes": (), "probe": None}
    if probe.diameter is not None and probe.frequency is not None:
        kept = {name: getattr(probe, name) for name in ProbeSettings.model_fields}
        changes["probe"] = ProbeSettings.model_construct(**kept)
    if probe.calibration is not None:
        settings = station.calibration or CalibrationSettings()
        update = {"file": probe.calibration, "velocity": None, "zero_offset": 0.0}
        changes["calibration"] = settings.model_copy(update=update)
        changes["record"] = station.probe_records[probe.calibration]
    if probe.range_margin is not None:
        settings = changes.get("calibration", station.calibration) or CalibrationSettings()
        changes["calibration"] = settings.model_copy(update={"range_margin": probe.range_margin})
    if probe.thickness_limits is not None:
        limits = {"thickness_limits": probe.thickness_limits}
        changes["survey"] = station.survey.model_copy(update=limits)
    if probe.echo is not None:
        changes["echo"] = probe.echo
    if probe.device is not None:
        changes["device"] = {probe.device: station.device[probe.device]} | station.device
    return station.model_copy(update=changes)


def stations_of_probes(station: Station) -> list[Station]:
    """Return the station of each of its probes by itself; see `station_of_probe`."""
    return [station_of_probe(station, number) for number in range(len(station.probes) or 1)]
