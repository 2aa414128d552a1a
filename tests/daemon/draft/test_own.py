"""The station file of devices at hand: whatever they send, the file is what `check` accepts."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathe.draft import (
    DeviceWish,
    OwnDevice,
    PlanWishes,
    PortTrial,
    description_files,
    encoded_axes,
    needed_scales,
    own_device,
    own_tables,
    station_file_text,
)
from swathe.errors import StationError, SwatheError
from swathe.station import AxisMode, Station, decoder_of, law_of, parse_station
from swathe_drivers.capture import CaptureHeader, CaptureWriter
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.examples import example, example_names

_SCAN = '{ is = "counts", axis = "scan" }'
_INDEX = '{ is = "counts", axis = "index" }'
_TIME = '{ is = "time_of_flight", unit = "us" }'
GAUGES = {
    "time": [_TIME],
    "thickness": ['{ is = "thickness", unit = "mm" }'],
    "combined": [_SCAN, _TIME],
    "both axes": [_SCAN, _INDEX, '{ is = "thickness", unit = "in" }'],
}
ENCODERS = {
    "scan": [_SCAN],
    "both": [_SCAN, _INDEX],
    "lengths": ['{ is = "position", axis = "scan", unit = "mm" }'],
    "other name": ['{ is = "counts", axis = "wheel" }'],
    "mixed": ['{ is = "position", axis = "scan", unit = "mm" }', _INDEX],
}
FRAMES = """
driver = "frames"
[protocol]
framing = { kind = "length_prefix", sync = [0xA5, 0x5A], adds = 6 }
checksum = { kind = "crc", width = 16, poly = 0x1021, init = 0xFFFF, from = 0 }
fields = [
  { is = "length", type = "u2" },
  { is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 },
]
"""


def device(role: str, columns: list[str]) -> OwnDevice:
    """Return a device that sends such columns."""
    text = f"[protocol]\ncolumns = [{', '.join(columns)}]\n"
    return OwnDevice(role, f"/dev/{role}", f"{role}.toml", parse_description(text, role), text)


def station_of(wishes: PlanWishes, gauge: OwnDevice, encoder: OwnDevice | None) -> Station:
    """Return the station that the file of such devices describes."""
    text = station_file_text(own_tables(wishes, gauge, encoder, name="own"))
    devices = [one for one in (gauge, encoder) if one is not None]
    texts = {one.file: one.description.text for one in devices}
    return parse_station(text, "own.toml", descriptions=texts)


LENGTHS = st.builds(
    lambda number, unit: f"{number:.4g} {unit}",
    st.floats(0.5, 3000, allow_nan=False),
    st.sampled_from(["mm", "in", "cm"]),
)
SCALES = st.sampled_from(["26.07", "1000", "50 mm x 1024", "2 in × 500"])


@settings(max_examples=50)
@given(
    st.sampled_from(sorted(GAUGES)),
    st.none() | st.sampled_from(sorted(ENCODERS)),
    st.builds(
        PlanWishes,
        part=st.text(max_size=20),
        length=LENGTHS,
        width=st.just("0") | LENGTHS,
        cell=LENGTHS | st.builds("{} x {}".format, LENGTHS, LENGTHS),
        nominal=LENGTHS,
        spots=st.integers(1, 30).map(str),
        scan_scale=SCALES,
        index_scale=SCALES,
        velocity=st.just("") | st.sampled_from(["3.23 km/s", "0.233 in/us"]),
    ),
)
def test_any_devices_and_wishes_give_a_valid_file(
    gauge: str, encoder: str | None, wishes: PlanWishes
) -> None:
    """Only what the sizes are to each other may be refused; the axes are those of the devices."""
    readings = device("gauge", GAUGES[gauge])
    positions = None if encoder is None else device("encoder", ENCODERS[encoder])
    try:
        station = station_of(wishes, readings, positions)
    except StationError as error:
        keys = {problem.key for problem in error.problems}
        assert keys <= {"scan.length", "index.length", "scan × index"}
        return
    encoded = encoder is not None or "combined" in gauge or "both" in gauge
    assert (station.spots is None) is encoded
    if not encoded:
        assert len(station.spot_list) == int(wishes.spots)
        return
    assert station.scan.device == ("encoder" if encoder else "instrument")
    assert (station.index is None) is (wishes.width == "0")
    if station.index is not None:
        both = "both" in (encoder or gauge) or encoder == "mixed"
        assert station.index.mode == (AxisMode.ENCODED if both else AxisMode.STEPPED)
    if encoder in ("lengths", "mixed"):
        assert (station.scan.counts_per_mm, station.scan.wheel) == (None, None)


@pytest.mark.parametrize(
    ("gauge", "encoder", "lines", "needed"),
    [
        ("time", "scan", True, ["scan_scale"]),
        ("time", "both", True, ["scan_scale", "index_scale"]),
        ("time", "both", False, ["scan_scale"]),
        ("time", "lengths", True, []),
        ("time", "mixed", True, ["index_scale"]),
        ("time", "other name", True, ["scan_scale"]),
        ("combined", None, True, ["scan_scale"]),
        ("time", None, True, []),
    ],
)
def test_a_scale_is_needed_of_counts_only(
    gauge: str, encoder: str | None, lines: bool, needed: list[str]
) -> None:
    """A device that sends lengths needs none, and an axis that is not in the plan none either."""
    positions = None if encoder is None else device("encoder", ENCODERS[encoder])
    axes = encoded_axes(device("gauge", GAUGES[gauge]), positions)
    assert needed_scales(axes, lines=lines) == needed


def test_what_is_not_measured_is_said() -> None:
    """A velocity that nobody gave is named as such, and so is the zero offset."""
    wishes = PlanWishes(spots="3", nominal="14 mm")
    gauge = device("gauge", GAUGES["time"])
    text = station_file_text(own_tables(wishes, gauge, None, name="own"))
    assert "5920 m/s is usual for carbon steel: NOT measured here." in text
    assert re.search(r'zero_offset = "0 us" +# NOT measured', text)
    given_one = PlanWishes(spots="3", nominal="14 mm", velocity="3230 m/s")
    text = station_file_text(own_tables(given_one, gauge, None, name="own"))
    assert "NOT measured here" not in text
    law = law_of(station_of(given_one, gauge, None))
    assert law is not None
    assert law.velocity == pytest.approx(3.23)


def test_a_gauge_of_a_scans_gets_a_gate_around_the_back_wall() -> None:
    """Twice the nominal thickness over the velocity is within it."""
    gauge = OwnDevice("gauge", "/dev/g", "g.toml", parse_description(FRAMES, "g"), FRAMES)
    for nominal, flight in (("12 mm", 4.054), ("25 mm", 8.446), ("2 mm", 0.676)):
        station = station_of(PlanWishes(spots="1", nominal=nominal), gauge, None)
        assert station.echo is not None
        (gate,) = station.echo.gate
        assert gate.start < flight < gate.start + gate.width


def test_cautions_are_kept() -> None:
    """Fitness for service, procedure and the crawler's."""
    wishes = PlanWishes(length="1 m", cell="4 mm", nominal="14 mm", scan_scale="20")
    text = station_file_text(
        own_tables(wishes, device("gauge", GAUGES["combined"]), None, name="x")
    )
    plain = " ".join(text.replace("\n# ", " ").split())
    assert "it does not judge fitness for service" in plain
    assert "are for your procedure, local codes and a licensed practitioner to decide" in plain
    assert "CAUTION: Swathe is no emergency stop and no safety system." in plain


@pytest.mark.parametrize(
    ("gauge", "encoder", "option"),
    [([_SCAN], None, "--gauge-protocol"), (GAUGES["time"], GAUGES["time"], "--encoder-protocol")],
)
def test_devices_that_do_not_give_what_they_are_named_for(
    gauge: list[str], encoder: list[str] | None, option: str
) -> None:
    """The option is named, and what its device gives."""
    positions = None if encoder is None else device("encoder", encoder)
    with pytest.raises(SwatheError, match=f"'{option}' must describe a device that gives"):
        encoded_axes(device("gauge", gauge), positions)


@pytest.mark.parametrize("gauge", ["nmea_gauge", "scpi_counter"])
@pytest.mark.parametrize("encoder", ["", "modbus_encoder"])
def test_bundled_examples(tmp_path: Path, gauge: str, encoder: str) -> None:
    """Their texts are written next to the station file, and it is valid with them."""
    found = own_device(DeviceWish("gauge", "socket://127.0.0.1:9", gauge), tmp_path)
    positions = None
    if encoder:
        positions = own_device(DeviceWish("encoder", "/dev/ttyS9", encoder), tmp_path)
    texts = {tmp_path / f"{name}.toml": example(name).text for name in (gauge, encoder) if name}
    assert description_files([found, positions], tmp_path) == texts
    wishes = PlanWishes(
        length="1 m", width="0", cell="4 mm", nominal="14 mm", scan_scale="20", spots="4"
    )
    station = station_of(wishes, found, positions)
    assert all(decoder_of(table) for table in station.device.values())
    assert set(example_names()) >= {gauge}


def test_a_file_of_ones_own_is_named_as_the_station_file_sees_it(tmp_path: Path) -> None:
    """It is not copied; a name of a bundled example that is a file is the file."""
    (tmp_path / "site").mkdir()
    own = tmp_path / "gauge.toml"
    own.write_text("[protocol]\ncolumns = [{ is = 'thickness', unit = 'mm' }]\n", "utf-8")
    found = own_device(DeviceWish("gauge", "/dev/ttyS9", str(own)), tmp_path / "site")
    assert (found.file, found.text) == ("../gauge.toml", "")
    own.write_text("[protocol", "utf-8")
    with pytest.raises(DescriptionError, match=r"gauge\.toml: must be TOML"):
        own_device(DeviceWish("gauge", "/dev/ttyS9", str(own)), tmp_path)


def test_a_capture_is_a_source(tmp_path: Path) -> None:
    """A description is proposed from its bytes, and what is unsure about it is named."""
    path = tmp_path / "gauge.jsonl"
    header = CaptureHeader(url="/dev/ttyUSB0", settings={"baud": 9600})
    with CaptureWriter(path, header, start_ns=0) as capture:
        for number in range(200):
            line = f"T,{number * 20_000},{14.03 + (number * 7 % 13) / 100:.2f},mm\r\n"
            capture.chunk(number * 20_000_000, line.encode())
    found = own_device(DeviceWish("gauge", "/dev/ttyUSB1", f"capture:{path}"), tmp_path)
    assert found.port == "/dev/ttyUSB1"
    assert found.file == "gauge.toml"
    assert found.description.port["baud"] == 9600
    assert found.decoder.gives_readings
    assert found.unsure == ("checksum: none",)


@pytest.mark.parametrize(
    ("port", "source", "error"),
    [
        ("socket://nowhere", "nmea_gauge", "'--gauge' must name a host and a port number"),
        ("ftp://x", "nmea_gauge", "'--gauge' must be a device or begin with"),
        ("/dev/ttyS9", "no such", "'--gauge-protocol' must be a description's file, capture:FILE"),
        (
            "/dev/ttyS9",
            "listen",
            "'--gauge-protocol': nothing can be proposed for /dev/ttyS9: silent",
        ),
    ],
)
def test_a_port_or_source_that_is_none(tmp_path: Path, port: str, source: str, error: str) -> None:
    """The option is named with what it may be."""

    def silent(url: str) -> PortTrial:
        return PortTrial(url, problem="silent")

    with pytest.raises(SwatheError) as caught:
        own_device(DeviceWish("gauge", port, source), tmp_path, trial=silent)
    assert str(caught.value).startswith(error)
