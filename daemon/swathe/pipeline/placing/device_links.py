"""The links to the devices of a run, made from its station file."""

from __future__ import annotations

from collections.abc import Mapping

from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.station import Station, decoder_of, law_of, makes_by_time, period_of, polling_of

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
    law = law_of(station)
    return {
        name: DeviceLink(
            decoder=decoder_of(device),
            delay_ns=delays.get(name, device.delay_given),
            tally=tallies.setdefault(name, DeviceTally()),
            echo=station.echo,
            zero_offset_us=0.0 if law is None else law.zero_offset,
            # A spot is read while the probe rests: no record waits until its time is found.
            by_time=station.spots is None and makes_by_time(device),
            period_ns=period_of(device),
            polling=polling_of(device),
            name=name,
            smear_ns=station.placing.lateness,
            silent_at_rest=device.on_change,
        )
        for name, device in station.device.items()
    }
