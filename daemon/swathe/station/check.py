"""What must hold between the tables of a station file."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

import numpy as np

from swathe.arrays import Cells
from swathe.display_units import DisplayUnits
from swathe.echo import EchoSettings, check_gates
from swathe.errors import Problem
from swathe.station.axis import Axis
from swathe.station.axis_names import check_clock
from swathe.station.delays import check_delays
from swathe.station.devices import decoder_of
from swathe.station.limits import check_limits, has_gates_of_its_own
from swathe.station.marks import check_marks
from swathe.station.model import (
    AxisMode,
    AxisSettings,
    DeviceSettings,
    ExclusionSettings,
    IndexSettings,
    LineAdvance,
    SecondSettings,
    StoreSettings,
)
from swathe.station.motion import check_motion
from swathe.station.probe_check import check_probes
from swathe.station.thickness_scale import check_picture
from swathe_drivers import Decoder, DriverError

__all__ = ["MOST_CELLS", "cross_check", "excluded_cells"]

_SAME_MM = 1e-9

# Memory is that of the cells that were visited; a typing slip asks for more.
MOST_CELLS = 10_000_000_000
"""Cells of the largest plan."""
# Some arrays have a value for each line or column: of a plan of more cells an axis has at most so many.
_LARGE_CELLS, _MOST_OF_AXIS = 100_000_000, 1_000_000
MOST_WAVEFORM_BYTES = 16_000_000_000


def cross_check(parts: dict[str, Any], *, faulty: Collection[str] = ()) -> list[Problem]:
    """Return what is wrong between the tables in `parts`; a missing table is skipped.

    Args:
        parts: validated tables of the station file by name.
        faulty: tables that the file has but that are invalid themselves, which is reported already;
            no problem is reported on their account.
    """
    devices: dict[str, DeviceSettings] = parts.get("device", {})
    decoders: dict[str, Decoder] = {}
    for name, device in devices.items():
        try:
            decoders[name] = decoder_of(device)
        except (DriverError, ValueError):
            continue  # reported by the driver's own check, with its key
    problems: list[Problem] = []
    units = DisplayUnits(parts.get("units", "mm"))
    axes = {name: parts[name] for name in ("scan", "index") if parts.get(name) is not None}
    has_spots = "spots" in parts or "spots" in faulty
    for name, settings in axes.items():
        if has_spots and name == "scan":
            continue  # its cells are the spots: no device encodes it
        problems += _check_axis(name, settings, devices, decoders, units)
        problems += check_clock(name, settings, wrapped=settings.mode is AxisMode.WRAPPED)
    problems += _check_advance(parts.get("scan"), parts.get("index"))
    problems += _check_size(axes)
    if decoders.keys() == devices.keys() and devices:
        probes = parts.get("probes", ())
        calibrated = "calibration" in faulty or parts.get("calibration") is not None
        calibrated |= bool(probes) and all(probe.calibration is not None for probe in probes)
        several = bool(probes) or "probes" in faulty
        problems += _check_readings(decoders, calibrated=calibrated, several=several)
        problems += check_probes(parts, decoders, faulty="probes" in faulty)
        problems += check_delays(devices, decoders, axes)
    problems += _check_exclusions(parts.get("exclude", ()), axes, faulty, units)
    problems += check_marks(parts.get("mark", ()), axes, faulty, units)
    problems += _check_echo(parts, decoders)
    problems += check_motion(parts)
    problems += check_limits(parts)
    problems += check_picture(parts.get("picture"), parts.get("survey"), units)
    return problems


def _check_echo(parts: dict[str, Any], decoders: dict[str, Decoder]) -> list[Problem]:
    """Return what is wrong with measuring A-scans, and with keeping them."""
    senders = {name: d.waveform for name, d in decoders.items() if d.waveform is not None}
    echo: EchoSettings | None = parts.get("echo")
    store: StoreSettings | None = parts.get("store")
    keeps = store is not None and store.waveforms
    problems: list[Problem] = []
    if not senders:
        remedy = "a device sends them when its protocol has a waveform field"
        if echo is not None:
            problems.append(Problem("echo", "needs a device that sends A-scans", "none", remedy))
        if keeps:
            requirement = "needs a device that sends A-scans"
            problems.append(Problem("store.waveforms", requirement, True, remedy))
        return problems
    ((name, form),) = list(senders.items())[:1]
    if echo is None and not has_gates_of_its_own(name, parts):
        remedy = f"'{name}' sends A-scans: say with a gate where its back wall is"
        return [Problem("echo", "is required", None, remedy)]
    if echo is not None:
        problems += check_gates(
            echo, interval_us=form.interval_us, start_us=form.start_us, samples=form.samples
        )
    axes = [parts[axis] for axis in ("scan", "index") if parts.get(axis) is not None]
    cells = math.prod(axis.length / axis.resolution + 1 for axis in axes)
    size = cells * form.samples * np.dtype(form.dtype).itemsize
    if keeps and size > MOST_WAVEFORM_BYTES:
        requirement = f"must take at most {MOST_WAVEFORM_BYTES / 1e9:g} GB"
        remedy = "raise a resolution, send fewer samples, or keep none: the journal has them all"
        got = f"{size / 1e9:,.1f} GB for {cells:,.0f} cells"
        problems.append(Problem("store.waveforms", requirement, got, remedy))
    return problems


def _check_advance(scan: AxisSettings | None, index: IndexSettings | None) -> list[Problem]:
    """Return what is wrong where lines are to begin by the motion of the probe."""
    if index is None or index.advance is LineAdvance.COMMAND:
        return []
    key, requirement, got = "index.advance", "must be command", str(index.advance)
    if index.mode is not AxisMode.STEPPED:
        remedy = 'the encoder gives the line; remove it, or set mode = "stepped"'
        return [Problem(key, requirement, got, remedy)]
    if scan is not None and scan.mode is AxisMode.WRAPPED:
        remedy = "a probe that goes round a pipe comes to no end at which it turns"
        return [Problem(key, requirement, got, remedy)]
    return []


def _check_axis(
    name: str,
    settings: AxisSettings,
    devices: dict[str, DeviceSettings],
    decoders: dict[str, Decoder],
    units: DisplayUnits,
) -> list[Problem]:
    if settings.mode is AxisMode.STEPPED:
        if name == "scan":
            remedy = "step the index axis instead, or name the device that encodes the scan axis"
            return [Problem("scan.mode", "must be encoded or wrapped", "stepped", remedy)]
        if settings.second is not None:
            remedy = "remove it: the line is set by marks, and no source can differ from them"
            return [Problem(f"{name}.second", "needs an encoded axis", "stepped", remedy)]
        return []
    problems: list[Problem] = []
    known = ", ".join(sorted(devices)) or "none"
    key = f"{name}.device"
    if settings.device is None:
        remedy = f"devices of this file: {known}"
        problems.append(Problem(key, "is required on an encoded axis", None, remedy))
    elif devices and settings.device not in devices:
        problems.append(Problem(key, f"must be one of the devices {known}", settings.device))
    elif settings.device in decoders:
        column = settings.counts or name
        problems += _check_column(name, column, settings, decoders[settings.device])
    if settings.second is not None:
        problems += _check_second(name, settings.second, decoders, known)
    if settings.length < settings.resolution:
        requirement = "must be at least one resolution"
        problems.append(Problem(f"{name}.length", requirement, units.stated_text(settings.length)))
    return problems


def _check_column(
    key: str, column: str, settings: AxisSettings | SecondSettings, decoder: Decoder
) -> list[Problem]:
    if column in decoder.length_axes:
        return _length_problems(key, column, settings)
    if column in decoder.axes:
        return _check_scale(key, settings)
    gives = ", ".join(decoder.axes) or "no counts"
    remedy = f"'{settings.device}' gives {gives}"
    requirement = "must be a counts column of the device"
    return [Problem(f"{key}.counts", requirement, column, remedy)]


def _length_problems(
    key: str, column: str, settings: AxisSettings | SecondSettings
) -> list[Problem]:
    """Return what is given for counts on an axis whose position is sent as a length."""
    given = settings.model_fields_set & {"counts_per_mm", "wheel", "zero_count"}
    requirement = f"must be left out: '{settings.device}' sends {column} as a length"
    remedy = (
        'for counts write is = "counts" in its description; where the length begins is zero_at'
        " (station file), another unit its 'unit'"
    )
    problems = []
    for name in sorted(given):
        value = getattr(settings, name)
        if value is not None:
            problems.append(Problem(f"{key}.{name}", requirement, value, remedy))
    return problems


def _check_second(
    axis: str, second: SecondSettings, decoders: dict[str, Decoder], known: str
) -> list[Problem]:
    key = f"{axis}.second"
    if second.device not in decoders:
        requirement = f"must be one of the devices {known}"
        return [Problem(f"{key}.device", requirement, second.device)]
    return _check_column(key, second.counts or axis, second, decoders[second.device])


def _check_scale(name: str, settings: AxisSettings | SecondSettings) -> list[Problem]:
    given = [settings.counts_per_mm is not None, settings.wheel is not None]
    if sum(given) == 1:
        return []
    got = "both" if all(given) else "neither"
    remedy = 'counts_per_mm = 26.07, or wheel = { diameter = "50 mm", pulses = 1024, edges = 4 }'
    requirement = "must be given by either counts_per_mm or wheel"
    return [Problem(name, requirement, got, remedy)]


def _check_size(axes: dict[str, AxisSettings]) -> list[Problem]:
    cells = 1.0
    for settings in axes.values():
        cells *= settings.length / settings.resolution + 1
    remedy = "raise a resolution or split the area into several surveys"
    if cells > MOST_CELLS:
        most = f"must be at most {MOST_CELLS:,} cells"
        return [Problem("scan × index", most, f"{cells:,.0f}", remedy)]
    if cells <= _LARGE_CELLS:
        return []
    most = f"must be at most {_MOST_OF_AXIS:,} cells where the plan has over {_LARGE_CELLS:,}"
    return [
        Problem(name, most, f"{count:,.0f}", remedy)
        for name, settings in axes.items()
        if (count := settings.length / settings.resolution + 1) > _MOST_OF_AXIS
    ]


def _check_readings(
    decoders: dict[str, Decoder], *, calibrated: bool, several: bool
) -> list[Problem]:
    gauges = [name for name, decoder in decoders.items() if decoder.gives_readings]
    if not gauges or (len(gauges) > 1 and not several):
        found = ", ".join(gauges) or "none"
        remedy = "give one device a time_of_flight or thickness column, and only one"
        if gauges:
            remedy = (
                "remove one, or give each a [[probe]] with its offset from the carriage's datum"
            )
        return [
            Problem("device", "must hold exactly one device that gives readings", found, remedy)
        ]
    without = [name for name in gauges if "thickness" not in decoders[name].gives]
    if without and not calibrated:
        remedy = f"'{without[0]}' gives time of flight only: add velocity and zero_offset"
        return [Problem("calibration", "is required", None, remedy)]
    return []


def _check_exclusions(
    zones: tuple[ExclusionSettings, ...],
    axes: dict[str, AxisSettings],
    faulty: Collection[str],
    units: DisplayUnits,
) -> list[Problem]:
    problems: list[Problem] = []
    for number, zone in enumerate(zones):
        for name, extent in (("scan", zone.scan), ("index", zone.index)):
            key = f"exclude[{number}].{name}"
            if extent is None:
                continue
            got = f"{units.stated_text(extent[0])} to {units.stated_text(extent[1])}"
            if extent[0] >= extent[1]:
                problems.append(Problem(key, "must run from the lower to the higher border", got))
            elif name not in axes and name in faulty:
                continue
            elif name not in axes:
                remedy = "remove it: a plan without an index axis is a line profile"
                problems.append(Problem(key, "needs an index axis", got, remedy))
            else:
                settings = axes[name]
                low, high = settings.start, settings.start + settings.length
                if extent[1] < low or extent[0] > high:
                    plan = f"{units.stated_text(low)} to {units.stated_text(high)}"
                    requirement = f"must touch the plan, {plan}"
                    problems.append(Problem(key, requirement, got))
    return problems


def excluded_cells(zone: ExclusionSettings, scan: Axis, index: Axis) -> tuple[Cells, Cells]:
    """Return the rows (index) and columns (scan), rising, whose centre is in `zone`.

    Its borders are included. On a circumference it may reach past the seam.
    """
    return _covered(zone.index, index), _covered(zone.scan, scan)


def _covered(extent: tuple[float, float] | None, axis: Axis) -> Cells:
    if extent is None:
        return np.arange(axis.cells)
    low, high = extent[0] - _SAME_MM, extent[1] + _SAME_MM
    past = axis.centres - low
    if axis.turn is not None:
        past = np.mod(past, axis.turn[1] - axis.turn[0])
    return np.flatnonzero((past >= 0) & (past <= high - low))
