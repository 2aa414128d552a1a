"""The delays between a gauge and the encoders whose counts place its readings.

Only the difference between two devices' delays moves a reading: a device that sends position and
reading together needs none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from swathe.errors import Problem
from swathe.station.devices import axis_source, gauge_of
from swathe.station.model import AUTO, AxisMode, AxisSettings, DeviceSettings, Station
from swathe.units import speed
from swathe_drivers import Decoder

__all__ = ["DelayPair", "DelaySetting", "check_delays", "delay_lines", "delay_pairs"]

# Speeds for which the effect of an unknown delay is shown where no limit is set, mm/s.
_USUAL_SPEED = speed("250 mm/s")
_TEN_MS = 0.01


class DelaySetting(StrEnum):
    """What a station file says of the delay between a gauge and an encoder."""

    GIVEN = "given"
    AUTO = "auto"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class DelayPair:
    """A gauge and an encoder that places its readings.

    Attributes:
        gauge: the device that gives readings.
        encoder: the device that gives positions.
        setting: of the delay between both.
        missing: the devices whose delay is not given, where that matters.
    """

    gauge: str
    encoder: str
    setting: DelaySetting
    missing: tuple[str, ...]


def delay_pairs(station: Station) -> list[DelayPair]:
    """Return the pairs of gauge and encoder whose delays matter, that of the scan axis first.

    Empty where readings carry their own position.
    """
    gauge = gauge_of(station)
    pairs: dict[str, DelayPair] = {}
    for encoder in _encoders({"scan": station.scan, "index": station.index}):
        if encoder == gauge:
            continue
        devices = {name: station.device[name].delay for name in (gauge, encoder)}
        missing = tuple(name for name, delay in devices.items() if delay is None)
        setting = DelaySetting.UNKNOWN if missing else DelaySetting.GIVEN
        if devices[gauge] == AUTO:
            # What is measured is the difference: the encoder's own delay need not be known.
            setting, missing = DelaySetting.AUTO, ()
        pairs[encoder] = DelayPair(gauge, encoder, setting, missing)
    return list(pairs.values())


def _encoders(axes: Mapping[str, AxisSettings | None]) -> list[str]:
    """Return the devices that encode the axes, each once."""
    encoded = [
        axis_source(name, settings)[0]
        for name, settings in axes.items()
        if settings is not None and settings.mode is not AxisMode.STEPPED
    ]
    return list(dict.fromkeys(encoded))


def check_delays(
    devices: Mapping[str, DeviceSettings],
    decoders: Mapping[str, Decoder],
    axes: Mapping[str, AxisSettings],
) -> list[Problem]:
    """Return which delays cannot be measured by the survey itself.

    Args:
        devices: of the station file.
        decoders: of the same devices.
        axes: scan and index axis, where they are valid.
    """
    problems = [
        Problem(
            f"device.{name}.delay_uncertainty",
            "must be left out where no delay is given",
            device.delay_uncertainty,
            f"give device.{name}.delay, or remove it",
        )
        for name, device in devices.items()
        if device.delay_uncertainty is not None and not isinstance(device.delay, int)
    ]
    encoders = _encoders(axes)
    for name, device in devices.items():
        if device.delay != AUTO or name not in decoders:
            continue
        key = f"device.{name}.delay"
        if not decoders[name].gives_readings:
            gauges = [other for other, decoder in decoders.items() if decoder.gives_readings]
            gauge = gauges[0] if gauges else "NAME"
            remedy = (
                f"write 'auto' at device.{gauge}.delay: the difference is measured, and is "
                "negative where the positions come later than the readings"
            )
            requirement = "must not be 'auto' of a device without readings"
            problems.append(Problem(key, requirement, AUTO, remedy))
        elif encoders and set(encoders) <= {name}:
            remedy = "remove it: the device sends position and reading, and no delay matters"
            requirement = "must not be 'auto' where no other device places the readings"
            problems.append(Problem(key, requirement, AUTO, remedy))
    return problems


def delay_lines(station: Station) -> list[str]:
    """Return what is known of each delay that matters, a line each, for ``swathe check``."""
    return [_line(pair, station) for pair in delay_pairs(station)]


def _line(pair: DelayPair, station: Station) -> str:
    name = f"delay between {pair.gauge} and {pair.encoder}"
    if pair.setting is DelaySetting.GIVEN:
        gauge, encoder = (
            station.device[one].delay_given / 1e6 for one in (pair.gauge, pair.encoder)
        )
        return f"{name}: given, {gauge:g} ms and {encoder:g} ms"
    fastest = station.scan.max_speed or _USUAL_SPEED
    units = station.display
    speed = f"{units.length(fastest):.4g} {units.speed_name}"
    effect = f"each 10 ms is {units.with_unit(f'{units.length(fastest * _TEN_MS):.3g}')} at {speed}"
    if pair.setting is DelaySetting.AUTO:
        return f"{name}: measured by the survey, once lines were scanned both ways; until then {effect}"
    keys = " and ".join(f"device.{one}.delay" for one in pair.missing)
    return (
        f"WARNING: {name}: unknown, {effect}: give {keys}, which `swathe calibrate delay` measures, "
        f'or device.{pair.gauge}.delay = "auto"'
    )
