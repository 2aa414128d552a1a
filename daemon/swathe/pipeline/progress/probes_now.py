"""What each probe reads at this moment, and where it is, for a live view.

It is computed when it is asked for, from the newest readings as they were decoded: they are shown
while they wait for their time, too, and belong to no cell yet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.newest_readings import NEVER_ARRIVED
from swathe.pipeline.spurious.limits import ThicknessLimits, flag_impossible
from swathe_drivers.records import READING

__all__ = ["ProbeNow", "probe_positions", "probes_now"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeNow:
    """The newest reading of a probe, and its place.

    Attributes:
        arrived: journal time with which the reading came, ns; None before any.
        has_echo: whether it is valid, and possible by the limits of thickness.
        thickness: mm, by the probe's calibration; None without an echo or a calibration.
        time_of_flight: µs; None without an echo, or where none is sent.
        amplitude: % of full screen height, also without an echo; None where none is sent.
        scan: mm; None while the carriage's position or heading is not known.
        index: likewise.
    """

    arrived: int | None
    has_echo: bool
    thickness: float | None
    time_of_flight: float | None
    amplitude: float | None
    scan: float | None
    index: float | None


def probe_positions(inputs: DeviceInputs) -> tuple[Floats, Floats]:
    """Return where the probes are by the newest samples, mm along scan and index, shape (probes,).

    NaN where that is not known.
    """
    scan, index = (math.nan if place is None else place for place in inputs.position)
    heading = 0.0
    if inputs.heading is not None:
        newest = inputs.heading.position
        heading = math.nan if newest is None else newest
    along, across = inputs.probes.turned(np.array([heading]))
    return scan + along[:, 0], index + across[:, 0]


def probes_now(
    inputs: DeviceInputs, calibration: CalibrationInForce, limits: ThicknessLimits
) -> list[ProbeNow]:
    """Return what each probe reads now, by number.

    Args:
        inputs: of the present run.
        calibration: in force for each probe.
        limits: thinnest and thickest wall that is possible, mm.
    """
    readings = np.zeros(len(inputs.probes), READING)
    arrived = np.full(len(inputs.probes), NEVER_ARRIVED)
    for probe in inputs.probes.probes:
        newest = inputs.links[probe.device].newest
        readings[probe.number], arrived[probe.number] = newest.of_input(probe.input)
    readings["probe"] = np.arange(len(inputs.probes))
    came = arrived != NEVER_ARRIVED
    known = readings[came]
    calibration.fill(known)
    flag_impossible(known, limits)
    readings[came] = known
    scan, index = probe_positions(inputs)
    found = []
    for number, reading in enumerate(readings):
        has_echo = bool(came[number] and reading["valid"])
        found.append(
            ProbeNow(
                arrived=int(arrived[number]) if came[number] else None,
                has_echo=has_echo,
                thickness=_finite(reading["thickness"]) if has_echo else None,
                time_of_flight=_finite(reading["time_of_flight"]) if has_echo else None,
                amplitude=_finite(reading["amplitude"]) if came[number] else None,
                scan=_finite(scan[number]),
                index=_finite(index[number]),
            )
        )
    return found


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
