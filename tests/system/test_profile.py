"""Line profiles and stepped rasters driven by hand, without a crawler."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from support.broker import Broker, Witness
from support.daemon import DaemonProcess, station_text
from swathe.pipeline import CellState
from swathe.store import read_survey_record
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Listen = Callable[..., Witness]
Start = Callable[..., DaemonProcess]


def slower(scenario: Scenario, most: float) -> Scenario:
    """Return the hand-driven scenario with a steadier hand."""
    data = scenario.model_dump(by_alias=True)
    data["motion"]["max_speed_mm_per_s"] = most
    return Scenario.model_validate(data)


def test_profile_by_hand_has_its_gap(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """1 mm over 2 m by hand, with stops, reversals and one lift-off: complete but for its gap.

    At 60 mm/s and 100 readings a second no millimetre is passed over; the lift-off from 1180 mm
    to 1270 mm is the one gap, and it is told while the scan goes on.
    """
    speed = 4.0
    scenario = slower(load_scenario(builtin_scenario("profile")), 60.0)
    station = tmp_path / "station.toml"
    station.write_text(station_text("profile", ports, speed=speed, broker_port=mosquitto.port))
    heard = witness("swathe/penstock-profile/gap/+")
    world = serve(scenario, speed=speed)
    process = daemon(station)
    assert world.wait_raster_done(90)
    time.sleep(0.5)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    readings = world.truth.readings()
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    (gap,) = record.open_gaps
    assert str(gap.cause) == "no signal"
    assert gap.scan.low == pytest.approx(1180, abs=1.0)
    assert gap.scan.high == pytest.approx(1270, abs=1.0)
    with xr.open_zarr(tmp_path / "survey" / "survey.zarr") as arrays:
        state, thickness = arrays.state.values[0], arrays.thickness.values[0]
        passes = arrays.passes.values[0]
    assert state.shape == (2001,)
    lost = (np.arange(2001) > 1181) & (np.arange(2001) < 1269)
    clear = (np.arange(2001) < 1179) | (np.arange(2001) > 1271)
    assert np.all(state[lost] == CellState.NO_SIGNAL)
    assert np.all(state[clear] == CellState.MEASURED)
    # Combined records carry their own place, so each cell's least reading is known to the count.
    valid = readings[readings["valid"] & (readings["host_time_ns"] > 0)]
    counts = np.floor(valid["scan_mm"] * 19.2)  # what the instrument's encoder can tell
    cells = np.floor(counts / 19.2 + 0.5).astype(int)
    on_line = (cells >= 0) & (cells <= 2000)
    least = np.full(2001, np.inf)
    np.minimum.at(least, cells[on_line], valid["thickness_mm"][on_line])
    known = np.isfinite(thickness) & np.isfinite(least)
    assert np.all(np.abs(thickness - least)[known] < 5 * 0.004 * 5.92 / 2 + 0.01)
    # Over the stretch of the first reversal the hand went three times.
    assert np.median(passes[610:636]) == 3
    messages = heard.close()
    assert any(b'"status":"open"' in payload for _, _, payload in messages)


def test_lines_step_on_by_the_return_to_the_start(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """A stepped raster whose lines are told by the probe's return covers every line."""
    speed = 4.0
    station = tmp_path / "station.toml"
    station.write_text(
        station_text("lines", ports, speed=speed, advance="return", index_length=50, index_step=10)
    )
    world = serve("lines", speed=speed)
    process = daemon(station)
    assert world.wait_raster_done(60)
    time.sleep(0.7)
    if process.running:
        process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code in (0, 3), output
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    assert record.progress.required == 6 * 101
    with xr.open_zarr(tmp_path / "survey" / "survey.zarr") as arrays:
        state, thickness = arrays.state.values, arrays.thickness.values
        scan, index = np.meshgrid(arrays.scan.values, arrays.index.values)
    # The gauge has no clock: at four times the speed its readings smear by a cell or so, and by
    # more while the machine is busy, so that a cell here and there is passed over.
    measured = np.mean(state[:, 2:-2] == CellState.MEASURED, axis=1)
    assert np.all(measured > 0.95), measured
    truth = world.part.thickness(scan, index)
    assert np.nanmedian(np.abs(thickness - truth)) < 0.06
    corner = thickness[:, 2:-2] - truth[:, 2:-2]
    assert np.all(np.abs(np.nanmedian(corner, axis=1)) < 0.06)
