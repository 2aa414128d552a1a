"""A survey of A-scans: measured, kept by cell, rebuilt, read back and drawn."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from support.daemon import DaemonProcess, swathe
from swathe.pipeline import CellState
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow

SPEED = 2.0

# The zero crossing behind the top of a cosine of 5 MHz comes a quarter of its period later, which
# the zero offset of a calibration on a block would hold: 0.42 µs + 0.05 µs.
STATION = """
name = "strip"
[survey]
folder = "survey"
part = "Penstock 3, strip"
nominal_thickness = "12 mm"
[scan]
length = "600 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 20
[calibration]
velocity = "5920 m/s"
zero_offset = "0.47 us"
[echo]
time_of_flight = "back wall"
band = {{ centre = "5 MHz" }}
[[echo.gate]]
name = "back wall"
start = "0.6 us"
width = "6 us"
threshold = "30 %"
[device.encoder]
port = "{ports}/encoder"
baud = 230400
delay = "1 ms"
[device.encoder.protocol]
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "P" }},
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan" }},
]
[device.instrument]
driver = "frames"
port = "{instrument}"
delay = "4 ms"
[device.instrument.protocol]
byte_order = "big"
framing = {{ kind = "length_prefix", sync = [0xA5, 0x5A], adds = 6 }}
checksum = {{ kind = "crc", width = 16, poly = 0x1021, init = 0xFFFF, from = 0 }}
fields = [
  {{ is = "length", type = "u2" }},
  {{ is = "device_time", type = "u4", unit = "us", bits = 32 }},
  {{ is = "sequence", type = "u2" }},
  {{ is = "status", type = "u1", mask = 1, valid_when = 1 }},
  {{ is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 }},
]
[store]
waveforms = true
"""


def scenario() -> Scenario:
    """Return the built-in scenario on a free port."""
    data = load_scenario(builtin_scenario("ascan")).model_dump(by_alias=True)
    data["device"][1]["port"]["port"] = 0
    return Scenario.model_validate(data)


def test_ascans_become_thickness_and_are_kept(
    serve: Callable[..., World], daemon: Callable[..., DaemonProcess], ports: Path, tmp_path: Path
) -> None:
    """Thickness from A-scans agrees with the true wall; each cell keeps the A-scan that it is of."""
    world = serve(scenario(), speed=SPEED)
    (instrument,) = (d.port for d in world.describe() if d.name == "instrument")
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(ports=ports, instrument=instrument))
    process = daemon(station)
    assert world.wait_raster_done(90)
    time.sleep(0.7)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output  # the stretch where the probe was lifted off is its gap
    survey = tmp_path / "survey"
    with xr.open_zarr(survey / "survey.zarr") as arrays:
        state, thickness = arrays.state.values[0], arrays.thickness.values[0]
        flight, scan = arrays.time_of_flight.values[0], arrays.scan.values
        waveforms, times = arrays.waveform.values[0], arrays.sample_time.values
        units = arrays.sample_time.attrs["units"]
    lifted = (scan > 515) & (scan < 535)
    clear = (scan < 505) | (scan > 545)
    assert np.all(state[lifted] == CellState.NO_SIGNAL)
    assert np.mean(state[clear] == CellState.MEASURED) > 0.99
    good = clear & (state == CellState.MEASURED)
    # Within a cell of 3 mm the wall of a pit changes: the least over the cell is what it holds.
    fine = scan[:, None] + np.linspace(-1.5, 1.5, 13)
    truth = world.part.thickness(fine, np.zeros_like(fine))
    low, high = truth.min(axis=1) - 0.05, truth.max(axis=1) + 0.05
    assert np.all((thickness[good] > low[good]) & (thickness[good] < high[good]))
    flat = good & (np.ptp(truth, axis=1) < 0.02)
    assert abs(np.median(thickness[flat] - truth.mean(axis=1)[flat])) < 0.01
    # The A-scan that a cell kept has its highest half cycle a quarter period before the crossing.
    assert units == "us"
    assert waveforms.dtype == np.int16
    top = times[np.argmax(waveforms[good][:, times < 6], axis=1)]
    assert np.abs(flight[good] - 0.05 - top).max() < 0.03
    assert not waveforms[lifted].any()

    before = xr.open_zarr(survey / "survey.zarr").load()
    rebuilt = swathe("rebuild", survey)
    assert rebuilt.returncode == 0, rebuilt.stderr
    xr.testing.assert_identical(before, xr.open_zarr(survey / "survey.zarr").load())

    drawn = swathe("report", survey, "--line", "0 mm", "--out", tmp_path / "line.png")
    assert drawn.returncode == 0, drawn.stderr
    drawn = swathe("report", survey, "--cell", "430 mm", "--out", tmp_path / "cell.png")
    assert drawn.returncode == 0, drawn.stderr
    assert (tmp_path / "line.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "cell.png").read_bytes().startswith(b"\x89PNG")
    told = swathe("report", survey, "--cell", "525 mm")
    assert told.returncode == 1
    assert "is no signal: no A-scan" in told.stderr
    told = swathe("report", survey, "--line", "40 mm")
    assert "index 40 mm is outside the survey, which covers -0.5 to 0.5 mm" in told.stderr


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ('width = "6 us"', 'width = "60 us"', "'echo.gate[0].width' must end within the A-scan"),
        ("[echo]", "[unheard]", "'echo' is required: 'instrument' sends A-scans"),
        ('threshold = "30 %"', 'threshold = "100 %"', "must have thresholds below 'saturation'"),
    ],
)
def test_gates_that_cannot_be_are_told_before_the_scan(
    tmp_path: Path, right: str, wrong: str, told: str
) -> None:
    """A gate beside the record, none at all, or one that nothing can reach."""
    text = STATION.format(ports="ports", instrument="socket://127.0.0.1:1")
    if right == "[echo]":
        a, b = text.index("[echo]"), text.index("[device.encoder]")
        text = text[:a] + text[b:]
    station = tmp_path / "station.toml"
    station.write_text(text.replace(right, wrong))
    result = swathe("check", station, "--seconds", "0")
    assert result.returncode == 1
    assert told in result.stderr
