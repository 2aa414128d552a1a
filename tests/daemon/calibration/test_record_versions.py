"""Records of both versions: an older file is read as it is, and what it lacks stays unknown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.calibration.blocks import BLOCK, STEEL, noisy
from daemon.calibration.test_record import TIME, record
from swathe.calibration import (
    CalibrationError,
    CalibrationRecord,
    ConditionsRecord,
    GaugeRecord,
    approve,
    new_record,
    parse_calibration_record,
    read_calibration_record,
    solve_steps,
    write_calibration_record,
)
from swathe.calibration.record import digest_of

# As the first version of `swathe calibrate thickness` wrote it.
VERSION_1 = """\
{
 "version": 1,
 "id": "8fa58bb537bc",
 "time": "2025-06-03T09:30:05.250000+02:00",
 "by": "A. Moen",
 "approved_by": null,
 "procedure": "UT-7 rev 2",
 "material": "carbon steel",
 "block": {"name": "five steps, steel", "serial": "B-17", "temperature_degC": 21.0, "u_thickness_mm": 0.0},
 "steps": [
  {"thickness_mm": 2.5, "time_of_flight_us": 1.095389783338604, "sd_us": 0.002997395517825087, "readings": 8, "residual_mm": 0.0009106731775263555},
  {"thickness_mm": 5.0, "time_of_flight_us": 1.9394147906820542, "sd_us": 0.0019441586918490475, "readings": 8, "residual_mm": -0.00042298117274164326},
  {"thickness_mm": 10.0, "time_of_flight_us": 3.6287491244076104, "sd_us": 0.0028122302036752934, "readings": 8, "residual_mm": 0.0007118305983233597},
  {"thickness_mm": 20.0, "time_of_flight_us": 7.004876579102914, "sd_us": 0.005889405960772408, "readings": 8, "residual_mm": -0.0045415964028663325},
  {"thickness_mm": 25.0, "time_of_flight_us": 8.696490611075168, "sd_us": 0.004288278232497718, "readings": 8, "residual_mm": 0.0033420737997573724}
 ],
 "probe": {"kind": "single", "diameter_mm": 10.0, "frequency_MHz": 5.0, "separation_mm": 0.0, "name": "straight 5/10", "serial": "P-1"},
 "couplant": "glycerine",
 "instrument": {"name": "bench gauge", "serial": "G-3"},
 "method": "least squares over 5 steps",
 "velocity_mm_per_us": 5.9208348660526715,
 "zero_offset_us": 0.2506066641482372,
 "u_velocity": 0.0013048860065410393,
 "u_zero_offset": 0.0008152411937541825,
 "correlation": 0.7547547992155426,
 "dof": 3,
 "u_dof": 21.06560023068832,
 "basis": "propagated from the scatter of the readings on each step, the resolution of the time and the uncertainty of the block's thicknesses; it is more than their scatter about the line",
 "repeatability_mm": 0.011369483394193126,
 "warnings": []
}
"""
GAUGE = GaugeRecord(sends="time of flight", driver="delimited")


def test_record_of_version_1_is_read_and_its_conditions_are_unknown(tmp_path: Path) -> None:
    """Its id still fits; conditions and temperatures are None, its range is that of its steps."""
    path = tmp_path / "old.json"
    path.write_text(VERSION_1, "utf-8")
    old = read_calibration_record(path)
    assert (old.version, old.id) == (1, "8fa58bb537bc")
    assert (old.conditions, old.temperature_range_degC) == (None, None)
    assert old.range_mm == (2.5, 25.0)


def test_record_of_version_1_is_written_and_approved_as_version_1(tmp_path: Path) -> None:
    """Written again, its id is the same; a second signature makes it no newer than it is."""
    old = parse_calibration_record(VERSION_1, Path("old.json"))
    write_calibration_record(tmp_path / "again.json", old)
    assert read_calibration_record(tmp_path / "again.json") == old
    approved = approve(old, approved_by="B. Lund")
    write_calibration_record(tmp_path / "approved.json", approved)
    assert read_calibration_record(tmp_path / "approved.json") == approved
    assert (approved.version, approved.conditions) == (1, None)


@pytest.mark.parametrize(
    "added",
    [
        {"temperature_range_degC": [11.0, 31.0]},
        {"conditions": {"gauge": {"sends": "time of flight", "driver": "delimited"}}},
    ],
)
def test_record_of_version_1_takes_no_conditions(added: dict[str, object]) -> None:
    """Conditions, which its id does not cover, cannot be added to it afterwards."""
    contents = {**json.loads(VERSION_1), **added}
    with pytest.raises(CalibrationError, match="version must be 2 for a record with conditions"):
        parse_calibration_record(json.dumps(contents), Path("old.json"))


def test_conditions_are_part_of_what_the_id_is_of() -> None:
    """A record whose cable was changed afterwards is refused as one whose velocity was."""
    made = conditioned()
    changed = json.loads(made.model_dump_json())
    changed["conditions"]["cable"] = "5 m"
    with pytest.raises(CalibrationError, match="was changed after it was signed"):
        parse_calibration_record(json.dumps(changed), Path("r.json"))
    assert parse_calibration_record(made.model_dump_json(), Path("r.json")) == made
    assert digest_of(made) != digest_of(record())


def test_range_of_temperatures_is_round_that_of_the_block() -> None:
    """The stated validity to either side; none where it or the block's temperature is unknown."""
    assert conditioned().temperature_range_degC == (11.0, 31.0)
    assert conditioned(celsius=None).temperature_range_degC is None
    assert conditioned(validity=None).temperature_range_degC is None


def conditioned(
    *, celsius: float | None = 21.0, validity: float | None = 10.0
) -> CalibrationRecord:
    """A record with conditions."""
    made = record(celsius=celsius)
    return new_record(
        solve_steps(noisy(STEEL, BLOCK, 0.004, 8, seed=1), time_resolution_us=0.001),
        time=TIME,
        by=made.by,
        procedure=made.procedure,
        material=made.material,
        block=made.block,
        probe=made.probe,
        couplant=made.couplant,
        instrument=made.instrument,
        conditions=ConditionsRecord(gauge=GAUGE, cable="2 m"),
        temperature_validity=validity,
    )
