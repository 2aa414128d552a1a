"""Which ports of a station gather what arrives."""

from __future__ import annotations

from daemon.handmade import station, station_text
from swathe.live.ports import PortHub

CLOCK = '{is="device_time", unit="ms"},'


def gathers(text: str) -> dict[str, float]:
    """Return for how long each port gathers, s."""
    return {name: reader.gather for name, reader in PortHub(station(text))._readers.items()}


def test_devices_with_a_clock_are_gathered_and_others_are_not() -> None:
    """Without a clock the time of each arrival is all there is."""
    both = station_text()
    assert gathers(both) == {"encoder": 0.008, "gauge": 0.008}
    encoder, gauge = both.split("[device.gauge]")
    assert gathers(encoder + "[device.gauge]" + gauge.replace(CLOCK, "")) == {
        "encoder": 0.008,
        "gauge": 0.0,
    }


def test_nothing_is_gathered_where_a_crawler_is_driven() -> None:
    """Its guards need each sample of the encoder as soon as it is there."""
    driven = station(station_text()).model_copy(update={"motion": object()})
    assert {reader.gather for reader in PortHub(driven)._readers.values()} == {0.0}
