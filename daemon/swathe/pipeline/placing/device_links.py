"""The links to the devices of a run, made from its station file."""

from __future__ import annotations

from collections.abc import Mapping

from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.measured_readings import Gating
from swathe.station import (
    Station,
    decoder_of,
    law_of,
    makes_by_time,
    period_of,
    polling_of,
    probes_of,
    station_of_probe,
)

__all__ = ["links_of"]


def links_of(
    station: Station, tallies: dict[str, DeviceTally], delays: Mapping[str, int]
) -> dict[str, DeviceLink]:
    """Return decoder and clock of each device, by its name.

    Args:
        station: the station file in force.
        tallies: counts by device, across the runs of a survey; those of new devices are added.
        delays: of devices, ns, where other than the station file gives.
    """
    links: dict[str, DeviceLink] = {}
    for name, device in station.device.items():
        of_all, of_inputs = _gatings(station, name)
        links[name] = DeviceLink(
            decoder=decoder_of(device),
            delay_ns=delays.get(name, device.delay_given),
            tally=tallies.setdefault(name, DeviceTally()),
            echo=of_all.echo,
            zero_offset_us=_zero_offset(of_all),
            of_inputs=of_inputs,
            # A spot is read while the probe rests: no record waits until its time is found.
            by_time=station.spots is None and makes_by_time(device),
            period_ns=period_of(device),
            polling=polling_of(device),
            name=name,
            smear_ns=station.placing.lateness,
            silent_at_rest=device.on_change,
        )
    return links


def _gatings(station: Station, device: str) -> tuple[Station, dict[int, Gating]]:
    """Return the station by which A-scans of a device are measured, and how those of single inputs.

    By the gates and the calibration of each probe: that of an only probe is of all inputs.
    """
    probes = probes_of(station).of_device(device)
    if not station.probes or not probes or decoder_of(station.device[device]).waveform is None:
        return station, {}
    if len(probes) == 1 and probes[0].input is None:
        return station_of_probe(station, probes[0].number), {}
    of_inputs: dict[int, Gating] = {}
    for probe in probes:
        of_probe = station_of_probe(station, probe.number)
        if probe.input is not None and of_probe.echo is not None:
            of_inputs[probe.input] = Gating(of_probe.echo, _zero_offset(of_probe))
    return station, of_inputs


def _zero_offset(station: Station) -> float:
    law = law_of(station)
    return 0.0 if law is None else law.zero_offset
