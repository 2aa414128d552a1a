"""Drivers of a station's devices: ours are made once for the same settings."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.handmade import station, station_text
from swathe.station import devices
from swathe.station.model import DeviceSettings
from swathe_drivers import load_driver, make_driver


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the names of drivers that are made from now on."""
    found: list[str] = []
    make = make_driver

    def note(name: str, table: Any) -> Any:
        found.append(name)
        return make(name, table)

    monkeypatch.setattr(devices, "make_driver", note)
    monkeypatch.setattr(devices, "_drivers", {})
    return found


def _encoder(made: list[str]) -> DeviceSettings:
    """Return an encoder of which no driver was made yet."""
    device = station(station_text()).device["encoder"]
    devices._drivers.clear()
    made.clear()
    return device


def test_driver_of_ours_is_made_once_for_the_same_settings(made: list[str]) -> None:
    """Its decoders are made each time."""
    device = _encoder(made)
    assert devices.decoder_of(device) is not devices.decoder_of(device)
    assert len(made) == 1
    devices.decoder_of(
        device.model_copy(update={"protocol": {**device.protocol, "separator": ";"}})
    )
    assert len(made) == 2


def test_driver_of_another_package_is_made_each_time(
    made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody knows what it keeps."""
    device = _encoder(made)
    ours: Any = load_driver(device.driver)
    theirs = type("Theirs", (ours,), {"__module__": "elsewhere"})
    monkeypatch.setattr(devices, "load_driver", lambda _: theirs)
    devices.decoder_of(device)
    devices.decoder_of(device)
    assert len(made) == 2
