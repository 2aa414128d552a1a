"""The devices of a station: their decoders, and which of them gives positions or readings."""

from __future__ import annotations

from swathe.station.model import AxisSettings, DeviceSettings, Station
from swathe_drivers import (
    ChannelFormat,
    Decoder,
    Driver,
    MadeDriver,
    Polling,
    Schedule,
    WaveformFormat,
    channels_of,
    load_driver,
    make_driver,
    make_polling,
    make_schedule,
)

__all__ = [
    "axis_source",
    "decoder_of",
    "gauge_of",
    "gauges_of",
    "kept_channels",
    "kept_waveforms",
    "makes_by_time",
    "period_of",
    "polling_of",
    "schedule_of",
]

# By driver and protocol: a decoder is costly to make, and a run asks some dozen times.
_gives_readings: dict[tuple[type[Driver], str], bool] = {}
# Likewise; only our own drivers: nobody knows what another one keeps.
_drivers: dict[tuple[type[Driver], str], MadeDriver] = {}
_OUR_PACKAGE = Driver.__module__.partition(".")[0]
_MOST_KNOWN = 256


def axis_source(axis: str, settings: AxisSettings) -> tuple[str, str]:
    """Return the device and the counts column of the position on `axis`.

    The checks of the station file have made sure that an encoded axis names its device.
    """
    return settings.device or "", settings.counts or axis


def decoder_of(device: DeviceSettings) -> Decoder:
    """Return a new decoder for `device`, which raises nothing; see `swathe_drivers.guarded`.

    Raises:
        DriverError: the driver is unknown or its code fails; `read_station` reports this
            with the key, so call this only with a loaded station.
    """
    echo = device.talk is not None and device.talk.echo
    return _driver_of(device).decoder(ns_per_byte=device.port_settings().ns_per_byte, echo=echo)


def schedule_of(device: DeviceSettings) -> Schedule | None:
    """Return what is said to `device`, and when; None if nothing is. Raises as `decoder_of`."""
    per_byte = device.port_settings().ns_per_byte
    return make_schedule(_driver_of(device), device.talk, ns_per_byte=per_byte)


def polling_of(device: DeviceSettings) -> Polling | None:
    """Return how answers of `device` belong to its requests; None where nothing is known of these.

    A device that also sends by itself is not polled, and a capture in place of a port has no
    requests. Raises as `decoder_of`.
    """
    if device.port_settings().is_capture:
        return None
    return make_polling(_driver_of(device), device.talk)


def _driver_of(device: DeviceSettings) -> MadeDriver:
    kind = load_driver(device.driver)
    if kind.__module__.partition(".")[0] != _OUR_PACKAGE:
        return make_driver(device.driver, device.protocol)
    key = kind, repr(device.protocol)
    if (known := _drivers.get(key)) is None:
        if len(_drivers) >= _MOST_KNOWN:
            _drivers.clear()
        known = _drivers[key] = make_driver(device.driver, device.protocol)
    return known


def makes_by_time(device: DeviceSettings) -> bool:
    """Return whether a device makes its records by time: not on change, trigger or request."""
    schedule = schedule_of(device)
    return not (device.on_change or device.triggered or (schedule is not None and schedule.asks))


def period_of(device: DeviceSettings) -> float | None:
    """Return the time between records that a device's `rate` gives, ns; None without one."""
    return None if device.rate is None else 1e3 / device.rate


def gauges_of(station: Station) -> tuple[str, ...]:
    """Return the names of the devices that give readings, in the order of the station file.

    A checked station file has one, or several with `[[probe]]`.
    """
    return tuple(name for name, device in station.device.items() if _is_gauge(device))


def gauge_of(station: Station) -> str:
    """Return the name of the device that gives readings; of several the first one."""
    return gauges_of(station)[0]


def _is_gauge(device: DeviceSettings) -> bool:
    key = load_driver(device.driver), repr(device.protocol)
    if (known := _gives_readings.get(key)) is None:
        if len(_gives_readings) >= _MOST_KNOWN:
            _gives_readings.clear()
        known = _gives_readings[key] = decoder_of(device).gives_readings
    return known


def kept_channels(station: Station) -> tuple[ChannelFormat, ...]:
    """Return the channels that come with the readings: each is a layer of the survey."""
    return channels_of(decoder_of(station.device[gauge_of(station)]))


def kept_waveforms(station: Station) -> WaveformFormat | None:
    """Return the format of the waveforms that the plan asks to keep; None when it asks for none."""
    if not station.store.waveforms:
        return None
    return decoder_of(station.device[gauge_of(station)]).waveform
