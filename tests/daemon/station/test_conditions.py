"""A station file and the calibration record that it names: refused, warned of, or in force."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from daemon.echo_model import scans
from swathe.calibration import (
    BlockRecord,
    CalibrationError,
    CalibrationRecord,
    InstrumentRecord,
    ProbeRecord,
    StepReading,
    new_record,
    solve_steps,
    write_calibration_record,
)
from swathe.echo import measure
from swathe.errors import StationError
from swathe.station import (
    Station,
    calibrated_range,
    condition_warnings,
    conditions_of,
    law_of,
    parse_station,
    read_devices,
    read_station,
    require_calibration,
    with_record,
)
from swathe.station.describe import summarize_station

# A delay line takes 0.4155 µs there and back: what a first back wall has and echo to echo has not.
VELOCITY, ZERO = 5.92, 0.4155
TEXT = """
name = "strip"
units = "{units}"
[survey]
folder = "survey"
operator = "A. Kern"
nominal_thickness = "{nominal}"
alert_below = "{alert}"
[scan]
length = "100 mm"
resolution = "2 mm"
device = "encoder"
counts_per_mm = 20
[probe]
name = "contact"
serial = "{serial}"
diameter = "6.35 mm"
frequency = "5 MHz"
[calibration]
{calibration}
couplant = "gel"
temperature_validity = "10 K"
{margin}
[corrections]
{corrections}
{echo}
[device.encoder]
port = "ports/encoder"
delay = "0 ms"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
driver = "frames"
port = "ports/gauge"
delay = "0 ms"
[device.gauge.protocol]
framing = {{ kind = "fixed", sync = [0xA5, 0x5A], length = 1028 }}
fields = [
  {{ is = "status", type = "u2", mask = 1, valid_when = 1 }},
  {{ is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 }},
]
"""
FIRST = """
[echo]
time_of_flight = "back wall"
[[echo.gate]]
name = "back wall"
start = "0.6 us"
width = "3 us"
threshold = "20 %"
measure = "peak"
"""
BETWEEN = """
[echo]
mode = "echo to echo"
time_of_flight = ["first", "second"]
[[echo.gate]]
name = "first"
start = "0.6 us"
width = "3 us"
threshold = "20 %"
measure = "peak"
[[echo.gate]]
name = "second"
start = "1 us"
width = "3 us"
threshold = "20 %"
measure = "peak"
after = "first"
"""


def text(
    *,
    echo: str = FIRST,
    calibration: str = 'file = "c.json"',
    serial: str = "P-1",
    nominal: str = "8 mm",
    alert: str = "5.5 mm",
    corrections: str = "",
    margin: str = "",
    units: str = "mm",
) -> str:
    """Return a station file."""
    return TEXT.format(
        echo=echo,
        calibration=calibration,
        serial=serial,
        nominal=nominal,
        alert=alert,
        corrections=corrections,
        margin=margin,
        units=units,
    )


def record_of(
    station: Station,
    *,
    steps: tuple[float, ...] = (5.0, 10.0),
    zero: float = ZERO,
    sd: float = 0.0,
    conditions: bool = True,
) -> CalibrationRecord:
    """Return the record of a calibration that was made with a station."""
    read = [
        StepReading(thickness=wall, time_of_flight=zero + 2 * wall / VELOCITY, sd=sd, readings=20)
        for wall in steps
    ]
    probe = station.probe
    assert probe is not None
    known = VELOCITY if len(steps) == 1 else None
    return new_record(
        solve_steps(read, velocity=known, time_resolution_us=0.0001),
        time=datetime(2026, 11, 25, 8, 30, tzinfo=UTC),
        by="A. Kern",
        procedure="",
        material="",
        block=BlockRecord(name="B-7", serial="44", temperature_degC=21.0),
        probe=ProbeRecord(
            name=probe.name,
            serial=probe.serial,
            diameter_mm=probe.diameter,
            frequency_MHz=probe.frequency,
        ),
        couplant="gel",
        instrument=InstrumentRecord(name="", serial=""),
        conditions=conditions_of(station) if conditions else None,
        temperature_validity=10.0,
    )


def uncalibrated(echo: str = FIRST) -> Station:
    """Return the station with which a calibration is made."""
    return parse_station(text(echo=echo, calibration='velocity = "5920 m/s"'), "strip.toml")


def station_file(folder: Path, made: CalibrationRecord, content: str) -> Path:
    """Write a station file next to the record that it names."""
    write_calibration_record(folder / "c.json", made)
    (folder / "strip.toml").write_text(content, "utf-8")
    return folder / "strip.toml"


def test_record_of_the_first_back_wall_is_refused_between_two_echoes(tmp_path: Path) -> None:
    """It made 5.57 mm of a wall of 6.80 mm; now file, key and cure are named, and nothing starts.

    The thicknesses are computed from the A-scan of such a wall with the relation of ASTM E797 (from
    memory): v (t - zero) / 2.
    """
    wall = 6.80
    flight = 2 * wall / VELOCITY
    waves = scans([[(ZERO + flight, 80.0), (ZERO + 2 * flight, 50.0)]])
    between = uncalibrated(BETWEEN).echo
    assert between is not None
    echoes = measure(waves, interval_us=0.02, start_us=0.0, settings=between)
    made = record_of(uncalibrated(FIRST))
    wrong = made.velocity_mm_per_us * (echoes.time_of_flight[0] - made.zero_offset_us) / 2
    assert wrong == pytest.approx(5.57, abs=0.005)

    path = station_file(tmp_path, made, text(echo=BETWEEN))
    with pytest.raises(StationError) as caught:
        read_station(path)
    message = str(caught.value)
    assert f"'echo.mode' must be as in calibration record {made.id}, 'first back wall'" in message
    assert "another echo is measured (got 'echo to echo'): set it as the calibration" in message
    assert "calibrate again with this file (swathe calibrate thickness)" in message

    right = record_of(uncalibrated(BETWEEN), zero=0.0)
    station, _ = read_station(station_file(tmp_path, right, text(echo=BETWEEN)))
    law = law_of(station)
    assert law is not None
    assert law.thickness(echoes.time_of_flight)[0] == pytest.approx(wall, abs=0.005)
    assert not [line for line in condition_warnings(station) if "echo" in line]


def test_new_calibration_is_made_while_the_old_record_is_refused(tmp_path: Path) -> None:
    """The file still opens for whoever calibrates: that is the cure."""
    path = station_file(tmp_path, record_of(uncalibrated(FIRST)), text(echo=BETWEEN))
    station = read_devices(path)
    assert conditions_of(station).echo != conditions_of(uncalibrated(FIRST)).echo


def test_all_differences_are_named_at_once(tmp_path: Path) -> None:
    """Two of them are two problems of the station file."""
    changed = FIRST.replace('"peak"', '"flank"').replace("20 %", "30 %")
    path = station_file(tmp_path, record_of(uncalibrated()), text(echo=changed, serial="P-2"))
    with pytest.raises(StationError) as caught:
        read_station(path)
    keys = [problem.key for problem in caught.value.problems]
    assert keys == ["echo.gate[0].threshold", "echo.gate[0].measure", "probe.serial"]


def test_record_for_a_rebuild_is_refused_likewise() -> None:
    """A run that was measured between two echoes takes no record of the first back wall."""
    run = uncalibrated(BETWEEN)
    changed = with_record(run, record_of(uncalibrated(FIRST)), "other.json")
    told = r"does not belong to how the survey was measured: 'echo.mode' must be as in .*--calib"
    with pytest.raises(CalibrationError, match=re.compile(told, re.DOTALL)):
        require_calibration(changed)
    require_calibration(with_record(run, record_of(run, zero=0.0), "right.json"))
    require_calibration(run)


def test_station_with_a_record_of_its_own_warns_of_nothing_but_the_temperature(
    tmp_path: Path,
) -> None:
    """What is not known is said so, and what is known to fit is not mentioned."""
    path = station_file(tmp_path, record_of(uncalibrated()), text())
    (warning, *rest) = condition_warnings(read_station(path)[0])
    assert rest == []
    assert warning == (
        "the calibration applies from 11 to 31 °C, the part's temperature is unknown"
    )
    known = 'part_temperature = "28 degC"\ntemperature_coefficient = "steel 1018"'
    path = station_file(tmp_path, record_of(uncalibrated()), text(corrections=known))
    assert condition_warnings(read_station(path)[0]) == []
    hot = known.replace("28", "60")
    path = station_file(tmp_path, record_of(uncalibrated()), text(corrections=hot))
    lines = summarize_station(read_station(path)[0])
    told = (
        "WARNING of the calibration: the calibration applies from 11 to 31 °C, the part has 60 °C"
    )
    assert told in lines


@pytest.mark.parametrize(
    ("keys", "outside"),
    [
        ({"nominal": "8 mm", "alert": "5 mm"}, []),
        ({"nominal": "8 mm", "alert": "4.9 mm"}, ["alert level, 4.9 mm"]),
        ({"nominal": "10.1 mm", "alert": "4 mm"}, ["nominal thickness, 10.1 mm", "alert level, 4 mm"]),
        ({"nominal": "10.1 mm", "alert": "4.9 mm", "margin": 'range_margin = "0.1 mm"'}, []),
        (
            {"nominal": "0.5 in", "alert": "0.2 in", "units": "in"},
            ["nominal thickness, 0.500 in"],
        ),
    ],
)  # fmt: skip
def test_walls_of_the_plan_outside_the_steps_are_warned_of(
    tmp_path: Path, keys: dict[str, str], outside: list[str]
) -> None:
    """Nominal thickness and alert level are compared with the steps, in the reader's unit."""
    station, _ = read_station(station_file(tmp_path, record_of(uncalibrated()), text(**keys)))
    lines = [line for line in condition_warnings(station) if "outside the calibration" in line]
    assert [line.split(", is outside")[0] for line in lines] == outside
    assert all("readings there are flagged" in line for line in lines)


def test_range_has_the_margin_of_a_readings_noise(tmp_path: Path) -> None:
    """A wall as thick as the outermost step is within it: three standard deviations to either side."""
    made = record_of(uncalibrated(), sd=0.01)
    station, _ = read_station(station_file(tmp_path, made, text()))
    spread = 0.01 * VELOCITY / 2
    bounds = calibrated_range(station)
    assert bounds == pytest.approx((5.0 - 3 * spread, 10.0 + 3 * spread), rel=1e-3)
    assert bounds is not None
    rng = np.random.default_rng(3)
    walls = rng.normal(10.0, spread, 10_000)
    # Three standard deviations to one side: 0.13 % of a normal distribution (scipy.stats.norm.sf(3)).
    assert np.mean(walls > bounds[1]) == pytest.approx(0.00135, abs=0.001)
    stated = text(margin='range_margin = "1 mm"')
    station, _ = read_station(station_file(tmp_path, made, stated))
    assert calibrated_range(station) == (4.0, 11.0)


def test_one_step_is_no_range(tmp_path: Path) -> None:
    """Whatever else is measured was compared with no wall: that is reported."""
    made = record_of(uncalibrated(), steps=(8.0,))
    station, _ = read_station(station_file(tmp_path, made, text()))
    lines = [line for line in condition_warnings(station) if "one step of 8 mm" in line]
    assert [line.split(",")[0] for line in lines] == ["alert level"]


def test_range_is_unknown_without_a_record_or_where_the_instrument_computes() -> None:
    """Velocity from the station file was compared with no step."""
    assert calibrated_range(uncalibrated()) is None
    assert condition_warnings(uncalibrated()) == []


def test_what_is_not_known_is_listed_in_two_lines(tmp_path: Path) -> None:
    """A record without conditions, and a station without a probe or serial numbers."""
    made = record_of(uncalibrated(), conditions=False)
    content = text().replace('serial = "P-1"', "")
    station, _ = read_station(station_file(tmp_path, made, content))
    lines = condition_warnings(station)
    assert any(line.startswith("how it was measured is not known") for line in lines)
    assert "not compared, since one side does not state it: probe.serial" in lines
    known, _ = read_station(station_file(tmp_path, record_of(uncalibrated()), content))
    assert not any(line.startswith("how it was") for line in condition_warnings(known))
