"""A raster of the penstock against what the simulator knows to be true."""

from __future__ import annotations

import json
import signal
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import xarray as xr
from numpy.typing import NDArray
from scipy import ndimage

from support.broker import Broker, Witness
from support.daemon import DaemonProcess, station_text
from swathe.pipeline import CellState
from swathe.store import SurveyRecord, read_survey_record
from swathe_simulators import World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow

# The crawler is fast, so that the test is short; the clocks of the devices are honest all the same.
SPEED = 10.0
SCAN, INDEX = 4.0, 8.0
NOISE_MM = 0.004 * 5.92 / 2
FAST_ROW, FAST_SCAN = 22, (330.0, 510.0)
LOST = (((120.0, 190.0), (149.0, 173.0)), ((760.0, 810.0), (92.0, 100.0)))
LUG = ((500.0, 560.0), (40.0, 72.0))
# A reading this near to a cell's border may be taken for its neighbour's, mm of true position.
PLACING = 0.5
# The clocks of gauge and encoder are compared through the port of a busy host. What remains is one
# difference for the whole stretch, s: at ten times the crawler's speed 0.4 ms are 1.7 mm.
COMMON_SHIFT_S = np.linspace(-0.4e-3, 0.4e-3, 33)


class Raster(NamedTuple):
    """One raster without going back."""

    arrays: xr.Dataset
    record: SurveyRecord
    readings: NDArray[Any]
    told: list[dict[str, Any]]


@pytest.fixture(scope="module")
def raster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Raster]:
    """Scan the penstock once, end by SIGTERM, and return what came out and what was true."""
    folder = tmp_path_factory.mktemp("raster")
    station = folder / "station.toml"
    broker = Broker(folder)
    broker.start()
    witness = Witness(broker.port, "swathe/penstock-3/port/gauge")
    with tempfile.TemporaryDirectory(prefix="swathe-") as ports:
        station.write_text(
            station_text("penstock", Path(ports), speed=SPEED, broker_port=broker.port)
        )
        scenario = load_scenario(builtin_scenario("penstock"))
        with World(scenario, ports_dir=Path(ports), speed=SPEED) as world:
            process = DaemonProcess(station)
            try:
                assert world.wait_raster_done(100)
                time.sleep(0.5)
                process.signal(signal.SIGTERM)
                code, output = process.finish()
            finally:
                process.close()
                heard = [json.loads(payload)["delay"] for _, _, payload in witness.close()]
                broker.stop()
            readings = world.truth.readings()
    assert code == 3, output
    record = read_survey_record(folder / "survey" / "survey.json")
    with xr.open_zarr(folder / "survey" / "survey.zarr") as arrays:
        yield Raster(arrays.load(), record, readings, [told for told in heard if told])


def borders(arrays: xr.Dataset) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the centre of each cell, scan and index, shape (rows, columns) each."""
    scan, index = np.meshgrid(arrays.scan.values, arrays.index.values)
    return scan, index


def inside(zone: Any, scan: NDArray[Any], index: NDArray[Any], grow: float) -> NDArray[np.bool_]:
    """Return which centres lie in a zone that is grown by `grow` cells on every side."""
    (s0, s1), (i0, i1) = zone
    return np.asarray(
        (scan >= s0 - grow * SCAN)
        & (scan <= s1 + grow * SCAN)
        & (index >= i0 - grow * INDEX)
        & (index <= i1 + grow * INDEX)
    )


def fast_zone(scan: NDArray[Any], grow: float) -> NDArray[np.bool_]:
    """Return the cells of the stretch that was driven too fast."""
    rows = np.arange(scan.shape[0])[:, None] == FAST_ROW
    low, high = FAST_SCAN[0] - grow, FAST_SCAN[1] + grow
    return np.asarray(rows & (scan >= low) & (scan <= high))


def test_states_match_truth(raster: Raster) -> None:
    """Every cell's state is right but for those within half a cell of the edge of a fault."""
    scan, index = borders(raster.arrays)
    state = raster.arrays.state.values
    lug = inside(LUG, scan, index, 0)
    assert np.array_equal(state == CellState.EXCLUDED, lug)
    sure_lost = np.any([inside(zone, scan, index, -0.5) for zone in LOST], axis=0)
    near_lost = np.any([inside(zone, scan, index, 0.5) for zone in LOST], axis=0)
    # The crawler takes a way to reach its speed and to lose it.
    near_fast = fast_zone(scan, 30.0)
    plain = ~lug & ~near_lost & ~near_fast
    assert np.all(state[sure_lost & ~lug] == CellState.NO_SIGNAL)
    assert np.all(state[plain] == CellState.MEASURED)
    fast = state[near_fast]
    assert set(np.unique(fast)) == {CellState.MEASURED, CellState.SKIPPED}


def test_skipped_cells_match_truth(raster: Raster) -> None:
    """Where the crawler was too fast, a cell is measured if and only if a reading fell into it.

    All readings of the stretch may be placed early or late by one common time: which is known to
    the width that the host's ports allow, and is not the same in each run.
    """
    scan, index = borders(raster.arrays)
    readings = raster.readings
    readings = readings[readings["valid"] & (np.abs(readings["index_mm"] - FAST_ROW * INDEX) < 1)]
    velocity = np.gradient(readings["scan_mm"], readings["world_time_s"] / SPEED)
    near = fast_zone(scan, 30.0)
    measured = raster.arrays.state.values[near] == CellState.MEASURED
    least_wrong = [(0.0, 0.0)] * (near.size + 1)
    for shift in COMMON_SHIFT_S:
        placed = readings["scan_mm"] + velocity * shift
        nearest = np.min(np.abs(placed - scan[near][:, None]), axis=1)
        hit, missed = nearest <= SCAN / 2 - PLACING, nearest > SCAN / 2 + PLACING
        wrong = (hit & ~measured) | (missed & measured)
        assert np.count_nonzero(hit | missed) >= 30
        found = list(zip(scan[near][wrong], index[near][wrong], strict=True))
        least_wrong = min(found, least_wrong, key=len)
    assert least_wrong == []


def test_thickness_matches_truth(raster: Raster) -> None:
    """A cell's thickness is the least true thickness in it, within the simulated noise."""
    readings = raster.readings[raster.readings["valid"]]
    columns = np.floor(readings["scan_mm"] / SCAN + 0.5).astype(int)
    rows = np.floor(readings["index_mm"] / INDEX + 0.5).astype(int)
    thickness = raster.arrays.thickness.values
    on_grid = (columns >= 0) & (columns < thickness.shape[1])
    on_grid &= (rows >= 0) & (rows < thickness.shape[0])
    columns, rows, readings = columns[on_grid], rows[on_grid], readings[on_grid]
    least = np.full(thickness.shape, np.inf)
    most = np.full(thickness.shape, -np.inf)
    np.minimum.at(least, (rows, columns), readings["thickness_mm"])
    np.maximum.at(most, (rows, columns), readings["thickness_mm"])
    # A reading placed a millimetre off may belong to the neighbour: allow what the wall itself
    # changes within a cell, beside five times the noise.
    steep = ndimage.maximum_filter(np.where(np.isfinite(most), most, 0), (1, 3))
    steep -= ndimage.minimum_filter(np.where(np.isfinite(least), least, 99), (1, 3))
    known = np.isfinite(thickness) & np.isfinite(least)
    off = np.abs(thickness - least)[known]
    assert np.all(off <= 5 * NOISE_MM + steep[known])
    flat = steep[known] < 0.05
    assert np.count_nonzero(flat) > 4000
    # The least of two or three readings lies a little below the truth, by less than the noise.
    assert np.median(off[flat]) < 1.5 * NOISE_MM
    assert raster.record.progress.minimum == pytest.approx(6.2, abs=5 * NOISE_MM + 0.05)


def test_gaps_match_truth(raster: Raster) -> None:
    """No gap is missed and none is false: gaps are the connected regions of what truly is missing.

    The regions are told by scipy.ndimage.label, which shares no code with ours.
    """
    state = raster.arrays.state.values
    missing = (state != CellState.MEASURED) & (state != CellState.EXCLUDED)
    labels, count = ndimage.label(missing)
    gaps = raster.record.open_gaps
    assert len(gaps) == count
    boxes = {
        (
            round(columns.start * SCAN - SCAN / 2, 3),
            round(columns.stop * SCAN - SCAN / 2, 3),
            round(rows.start * INDEX - INDEX / 2, 3),
            round(rows.stop * INDEX - INDEX / 2, 3),
            int(np.count_nonzero(labels[rows, columns] == number)),
        )
        for number, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1)
    }
    ours = {(g.scan.low, g.scan.high, g.index.low, g.index.high, g.cells) for g in gaps}
    assert ours == boxes
    causes = {str(gap.cause) for gap in gaps}
    assert causes == {"no signal", "too fast"}
    for zone in LOST:
        (s0, s1), (i0, i1) = zone
        over = [g for g in gaps if g.scan.low < s1 and g.scan.high > s0]
        over = [g for g in over if g.index.low < i1 and g.index.high > i0]
        assert [str(gap.cause) for gap in over] == ["no signal"]


def test_gap_opened_in_time(raster: Raster) -> None:
    """A lost stretch is told within 250 ms after the probe has left it behind."""
    (s0, s1), (i0, i1) = LOST[1]
    gap = next(
        g
        for g in raster.record.open_gaps
        if g.scan.low < s1 and g.scan.high > s0 and g.index.low < i1 and g.index.high > i0
    )
    readings = raster.readings
    on_line = np.abs(readings["index_mm"] - 96) < 1
    # The serpentine's twelfth line runs from the end to the start or the other way: find out.
    line = readings[on_line & (readings["scan_mm"] > 700) & (readings["scan_mm"] < 850)]
    rising = line["scan_mm"][-1] > line["scan_mm"][0]
    first_edge = s0 + 2 * SCAN if rising else s1 - 2 * SCAN
    passed = line["scan_mm"] > first_edge if rising else line["scan_mm"] < first_edge
    left_behind = line["host_time_ns"][np.argmax(passed)]
    offset = time.time_ns() - time.monotonic_ns()
    opened = int(gap.opened.timestamp() * 1e9)
    assert opened - (left_behind + offset) < 250_000_000


def test_delay_was_told_live(raster: Raster) -> None:
    """The scan itself told the gauge's delay while it went on, and that it is the one in force."""
    assert raster.told, "nothing was told of the delay"
    last = raster.told[-1]
    assert last["sure"], last["reason"]
    assert abs(last["offset_ms"]) < 0.6


def test_devices_came_through_whole(raster: Raster) -> None:
    """Every byte that the devices sent while listened to became a record.

    But for a line or two: a pseudo-terminal holds 4 kB, a twentieth of a second at this speed, and
    overruns when a busy machine holds its reader up for longer, as a real line would.
    """
    faults = {port.device: port.faults for port in raster.record.ports}
    assert set(faults) == {"encoder", "gauge"}
    assert all(set(found) <= {"checksum"} for found in faults.values()), faults
    assert sum(found.get("checksum", 0) for found in faults.values()) <= 3, faults
    gauge = next(port for port in raster.record.ports if port.device == "gauge")
    sent = raster.readings[~raster.readings["dropped"]]
    assert abs(gauge.readings - sent.size) <= 0.001 * sent.size + 1500
    assert raster.record.progress.unplaced <= 0.005 * gauge.readings
