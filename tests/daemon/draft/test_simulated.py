"""The station file of a scenario describes the devices that the simulator serves."""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.daemon import station_text
from support.documents import ROOT, blocks
from swathe.demo.stage import write_station
from swathe.draft import PlanWishes, simulated_draft, station_file_text
from swathe.errors import StationError, SwatheError
from swathe.station import Station, decoder_of, law_of, parse_station
from swathe.station.model import DeviceSettings
from swathe_simulators import World, builtin_scenario, builtin_scenarios, load_scenario

SCENARIOS = {name: load_scenario(builtin_scenario(name)) for name in builtin_scenarios()}
SCANS = sorted(set(SCENARIOS) - {"block"})


def text_of(name: str, **wishes: str) -> str:
    """Return the text of a scenario's station file."""
    draft = simulated_draft(SCENARIOS[name], PlanWishes(**wishes), name=name)
    return station_file_text(draft.tables)


def station_of(name: str, **wishes: str) -> Station:
    """Return the station that a scenario's file describes."""
    return parse_station(text_of(name, **wishes), "draft.toml")


def received(address: str, *, until: Callable[[bytes], bool]) -> bytes:
    """Return what a simulated port sends, read until a condition on it holds."""
    with contextlib.ExitStack() as stack:
        if address.startswith("socket://"):
            host, _, port = address.removeprefix("socket://").rpartition(":")
            link = stack.enter_context(socket.create_connection((host, int(port)), timeout=20))
            descriptor = link.fileno()
        else:
            descriptor = os.open(address, os.O_RDWR | os.O_NOCTTY)
            stack.callback(os.close, descriptor)
        data = b""
        while not until(data):
            assert select.select([descriptor], [], [], 20)[0], data
            data += os.read(descriptor, 4096)
    return data


@pytest.mark.parametrize("name", SCENARIOS)
def test_each_device_is_decoded(name: str, tmp_path: Path) -> None:
    """What each simulated device really sends are records by the file."""
    station, scenario = station_of(name), SCENARIOS[name]
    ports = {device.name: device.port for device in scenario.device}
    free = [
        device.model_copy(update={"port": device.port.model_copy(update={"port": 0})})
        for device in scenario.device
    ]
    with World(scenario.model_copy(update={"device": free}), ports_dir=tmp_path) as world:
        served = {info.name: info for info in world.describe()}
        for device, table in station.device.items():

            def decodes(data: bytes, table: DeviceSettings = table) -> bool:
                batch = decoder_of(table).feed(data, 0)
                # The first record was caught in its middle.
                assert sum(batch.n_faults.values()) <= 1, data
                return max(batch.readings.size, batch.positions.size) >= 3

            received(served[device].port, until=decodes)
            if ports[device].kind == "pty":
                assert (table.port, table.baud) == (f"ports/{device}", ports[device].baud)
            else:
                assert table.port == f"socket://127.0.0.1:{ports[device].port}"
    assert ("crawler" in served) is (station.motion is not None)


def axis_of(station: Station, name: str) -> tuple[Any, ...]:
    """Return what decides where counts are on an axis."""
    axis = getattr(station, name)
    if axis is None:
        return ()
    scale = (axis.counts_per_mm, axis.zero_count, axis.reversed, axis.mode, axis.device)
    return (*scale, getattr(axis, "advance", None))


@pytest.mark.parametrize("name", ["penstock", "lines", "profile", "belt", "README"])
def test_as_written_by_hand(name: str, tmp_path: Path) -> None:
    """Scale, zero, direction, velocity and columns are those of stations that were written by hand."""
    if name == "belt":
        write_station(tmp_path / "belt.toml", ports=Path("ports"), speed=1, broker_port=18830)
        by_hand = parse_station((tmp_path / "belt.toml").read_text("utf-8"), "belt.toml")
    elif name == "README":
        by_hand = parse_station(blocks("toml", of=ROOT / "README.md")[0].text, "profile.toml")
    else:
        lines = {"index_length": 50, "index_step": 10, "advance": "return"}
        more: dict[str, Any] = lines if name == "lines" else {}
        by_hand = parse_station(station_text(name, Path("ports"), speed=1, **more), f"{name}.toml")
    found = station_of("profile" if name == "README" else name)
    assert axis_of(found, "scan") == axis_of(by_hand, "scan")
    assert axis_of(found, "index") == axis_of(by_hand, "index")
    assert law_of(found) == law_of(by_hand)
    assert found.device.keys() == by_hand.device.keys()
    for device, table in found.device.items():
        mine, theirs = decoder_of(table), decoder_of(by_hand.device[device])
        assert (mine.gives, mine.axes, mine.count_periods) == (
            theirs.gives,
            theirs.axes,
            theirs.count_periods,
        )
    if name in ("penstock", "belt"):
        assert found.shape == by_hand.shape
        zone, other = found.exclude[0], by_hand.exclude[0]
        assert (zone.scan, zone.index) == (other.scan, other.index)
        assert {d: t.delay for d, t in found.device.items()} == {
            d: t.delay for d, t in by_hand.device.items()
        }


def test_a_crawler_keeps_within_its_travel() -> None:
    """No end of travel that the machine crashes at is allowed, and the cautions are there."""
    text = text_of("belt")
    station, motion = station_of("belt"), SCENARIOS["belt"].motion
    assert motion.kind == "commanded"
    assert station.motion is not None
    axes = station.motion.protocol["axes"]
    for axis, limits in (("scan", motion.scan_limits_mm), ("index", motion.index_limits_mm)):
        assert limits[0] < axes[axis]["min_mm"] < axes[axis]["max_mm"] < limits[1]
    assert station.motion.guard.first_move > 0
    assert "first_move" in text
    assert "# CAUTION: Swathe is no emergency stop" in text
    assert "of a real one false unless the site allows" in text
    assert "does not judge fitness for service" in text


def test_times_of_a_scans_are_those_of_their_zero_crossings() -> None:
    """The zero offset is 0.05 µs more than the gauge's: a quarter of a period of 5 MHz."""
    law = law_of(station_of("ascan"))
    assert law is not None
    assert law.zero_offset == pytest.approx(0.42 + 0.05)


def test_block_is_for_a_calibration() -> None:
    """The steps are spots, and there is what `calibrate thickness` needs."""
    station = station_of("block")
    assert station.block is not None
    assert station.block.steps == (12.7, 10.16, 7.62, 5.08)
    assert [spot.nominal for spot in station.spot_list] == [12.7, 10.16, 7.62, 5.08]
    assert station.probe is not None
    assert station.verification is not None


LENGTHS = st.builds(
    lambda number, unit: f"{number:g} {unit}",
    st.floats(0.01, 3000, allow_nan=False),
    st.sampled_from(["mm", "in", "cm", "m", "thou"]),
)
CELLS = LENGTHS | st.builds(lambda one, other: f"{one} x {other}", LENGTHS, LENGTHS)


@settings(max_examples=40)
@given(
    st.sampled_from(sorted(SCENARIOS)),
    st.fixed_dictionaries(
        {},
        optional={
            "length": LENGTHS,
            "width": LENGTHS,
            "cell": CELLS,
            "nominal": LENGTHS,
            "part": st.text(max_size=30),
        },
    ),
)
def test_any_wishes_give_a_valid_file_or_a_reason(name: str, wishes: dict[str, str]) -> None:
    """The file is what `check` accepts, and holds what was wished; else the error names why."""
    try:
        text = text_of(name, **wishes)
    except SwatheError as error:
        assert str(error).startswith("'--")  # noqa: PT017  either is right
        return
    try:
        station = parse_station(text, "draft.toml")
    except StationError as error:
        # Only what the sizes are to each other.
        keys = {problem.key for problem in error.problems}
        assert keys <= {"scan.length", "index.length", "scan × index", "store.waveforms"}
        return
    assert station.survey.part == wishes.get("part", "") or not wishes.get("part", "")
    if "nominal" in wishes:
        assert f'nominal_thickness = "{wishes["nominal"]}"' in text
    if "length" in wishes:
        assert f'length = "{wishes["length"]}"' in text
        assert station.units == ("in" if wishes["length"].split()[1] in ("in", "thou") else "mm")


@pytest.mark.parametrize(
    ("name", "wishes", "error"),
    [
        ("belt", {"length": "2 m"}, "'--length' must be at most 900 mm in this scenario (got '2 m')"),
        ("belt", {"width": "10 in"}, "'--width' must be at most 240 mm in this scenario (got '10 in')"),
        ("profile", {"width": "8 mm"}, "'--width' needs a scenario of several lines (got '8 mm')"),
        ("penstock", {"cell": "4 mm x 4 mm"}, "'--cell' must be 8 mm across: so far apart are the scenario's lines (got '4 mm x 4 mm')"),
        ("block", {"length": "1 m"}, "'--length' is of a scan, and the scenario is a step block (got '1 m')"),
    ],
)  # fmt: skip
def test_more_than_the_simulated_part_has(name: str, wishes: dict[str, str], error: str) -> None:
    """What the simulated probe never comes to could not be covered."""
    with pytest.raises(SwatheError) as caught:
        text_of(name, **wishes)
    assert str(caught.value) == error


@pytest.mark.parametrize("name", SCANS)
def test_a_smaller_plan_keeps_only_its_obstructions(name: str) -> None:
    """A zone outside the plan would be refused by `check`."""
    station = station_of(name, length="60 mm")
    assert station.exclude == ()
    assert station.scan.length == pytest.approx(60)
