"""The calibration record, its id and its file."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from daemon.calibration.blocks import BLOCK, DUAL, STEEL, noisy, read
from swathe.calibration import (
    NOT_COVERED,
    BlockRecord,
    CalibrationError,
    CalibrationRecord,
    InstrumentRecord,
    ProbeKind,
    ProbeRecord,
    StepCoupling,
    StepReading,
    StepsResult,
    approve,
    new_record,
    parse_calibration_record,
    read_calibration_record,
    solve_steps,
    write_calibration_record,
)

SINGLE = ProbeRecord(name="straight 5/10", serial="P-1", diameter_mm=10.0, frequency_MHz=5.0)
PAIR = ProbeRecord(
    kind=ProbeKind.DUAL,
    name="dual 5/6",
    serial="P-2",
    diameter_mm=6.0,
    frequency_MHz=5.0,
    separation_mm=3.0,
)
TIME = datetime(2025, 6, 3, 9, 30, 5, 250_000, tzinfo=timezone(timedelta(hours=2)))


def record(
    *,
    probe: ProbeRecord = SINGLE,
    celsius: float | None = 21.0,
    by: str = "A. Moen",
    time: datetime = TIME,
    result: StepsResult | None = None,
) -> CalibrationRecord:
    """A calibration of the penstock's gauge on five steps, each coupled once unless given."""
    law = DUAL if probe.separation_mm else STEEL
    result = result or solve_steps(
        noisy(law, BLOCK, 0.004, 8, seed=1),
        separation=probe.separation_mm,
        material="carbon steel",
        time_resolution_us=0.001,
    )
    return new_record(
        result,
        time=time,
        by=by,
        procedure="UT-7 rev 2",
        material="carbon steel",
        block=BlockRecord(name="five steps, steel", serial="B-17", temperature_degC=celsius),
        probe=probe,
        couplant="glycerine",
        instrument=InstrumentRecord(name="bench gauge", serial="G-3"),
    )


@pytest.mark.parametrize("probe", [SINGLE, PAIR])
@pytest.mark.parametrize("time", [TIME, datetime(2025, 6, 3, tzinfo=UTC)])
def test_record_written_is_read_as_it_was(
    tmp_path: Path, probe: ProbeRecord, time: datetime
) -> None:
    """What is read equals what was written, to the last digit, and nothing else is left there."""
    path = tmp_path / "calibration.json"
    made = record(probe=probe, time=time)
    path.write_text("an older one", "utf-8")
    write_calibration_record(path, made)
    assert read_calibration_record(path) == made
    assert [entry.name for entry in tmp_path.iterdir()] == ["calibration.json"]
    assert re.fullmatch("[0-9a-f]{12}", made.id)


def test_record_holds_what_the_calibration_told() -> None:
    """Velocity, zero offset, steps with residuals, uncertainties and repeatability."""
    made = record()
    assert made.velocity_mm_per_us == pytest.approx(5.92, rel=2e-3)
    assert [step.thickness_mm for step in made.steps] == list(BLOCK)
    assert made.dof == 3
    assert made.u_dof is not None
    assert made.repeatability_mm == pytest.approx(0.004 * 5.92 / 2, rel=0.4)
    assert made.repeatability_dof == 5 * 7
    assert [len(step.couplings) for step in made.steps] == [1] * 5
    assert (made.coupling_us, made.coupling_dof) == (None, None)
    assert made.coupling_basis == "not covered"
    assert made.warnings == (NOT_COVERED,)


def test_record_of_several_couplings_keeps_each() -> None:
    """Time, spread, readings, round and moment of each coupling; what they repeat by is measured."""
    shifts = (-0.004, 0.0, 0.004)
    steps = [
        StepReading.of_couplings(
            wall,
            [
                StepCoupling(
                    time_of_flight=float(STEEL.time_of_flight(wall)) + shift,
                    sd=0.002,
                    readings=20,
                    round=number + 1,
                    time=f"2026-11-26T08:0{number}:00+00:00",
                )
                for number, shift in enumerate((*shifts[k % 3 :], *shifts[: k % 3]))
            ],
        )
        for k, wall in enumerate(BLOCK)
    ]
    made = record(result=solve_steps(steps))
    assert [one.round for one in made.steps[0].couplings] == [1, 2, 3]
    assert made.steps[0].couplings[2].time == datetime(2026, 11, 26, 8, 2, tzinfo=UTC)
    # The sample standard deviation of -4, 0 and 4 is 4.
    assert made.coupling_us == pytest.approx(0.004)
    assert (made.coupling_dof, made.coupling_basis) == (10, "measured")
    assert made.repeatability_dof == 5 * 3 * 19
    assert made.warnings == ()
    assert parse_calibration_record(made.model_dump_json(), Path("r.json")) == made


def test_id_is_of_the_contents_alone() -> None:
    """The same contents have the same id, and any other another."""
    assert record().id == record().id
    assert record().id != record(by="B. Lund").id
    assert record().id != record(celsius=21.5).id


def test_approval_is_a_second_signature() -> None:
    """A second name goes into the record and its id; the first signer cannot give it."""
    made = record()
    approved = approve(made, approved_by="B. Lund")
    assert approved.approved_by == "B. Lund"
    assert approved.id != made.id
    assert approved.model_copy(update={"id": made.id, "approved_by": None}) == made
    assert parse_calibration_record(approved.model_dump_json(), Path("r.json")) == approved
    for name in ("A. Moen", " ", ""):
        with pytest.raises(CalibrationError, match="'approved_by' must be somebody other than"):
            approve(made, approved_by=name)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("velocity_mm_per_us", 5.93),
        ("by", "nobody"),
        ("warnings", ["all is well"]),
        ("id", "0123456789ab"),
        ("approved_by", "B. Lund"),
    ],
)
def test_record_changed_after_it_was_signed_is_told(
    tmp_path: Path, key: str, value: object
) -> None:
    """Whatever is changed, the file is named and the id no longer fits."""
    path = tmp_path / "calibration.json"
    contents = json.loads(record().model_dump_json())
    path.write_text(json.dumps({**contents, key: value}), "utf-8")
    with pytest.raises(CalibrationError) as caught:
        read_calibration_record(path)
    assert str(caught.value).startswith(f"{path}: was changed after it was signed: 'id' must be ")
    assert caught.value.path == path


@pytest.mark.parametrize("place", [("block", "serial"), ("probe", "serial"), ("steps", 2)])
def test_record_changed_deep_within_is_told(tmp_path: Path, place: tuple[str, str | int]) -> None:
    """A step or a serial number changed is seen too."""
    contents = json.loads(record().model_dump_json())
    table, key = place
    if table == "steps":
        contents[table][key]["time_of_flight_us"] += 1e-9
    else:
        contents[table][key] = "B-18"
    with pytest.raises(CalibrationError, match="was changed after it was signed"):
        parse_calibration_record(json.dumps(contents), tmp_path / "r.json")


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"velocity_mm_per_us": -1.0}, "'velocity_mm_per_us' Input should be greater than 0"),
        ({"velocity_mm_per_us": "fast"}, "'velocity_mm_per_us' Input should be a valid number"),
        ({"version": 3}, "'version' Input should be 1 or 2 (got 3)"),
        ({"correlation": 1.5}, "'correlation' Input should be less than or equal to 1"),
        ({"colour": "red"}, "'colour' Extra inputs are not permitted"),
        ({"time": "2025-06-03T09:30:00"}, "'time' Input should have timezone info"),
        ({"block": {"name": "b"}}, "'block.serial' Field required"),
        ({"steps": []}, "'steps' Tuple should have at least 1 item"),
    ],
)
def test_record_of_values_that_cannot_be_names_the_key(
    change: dict[str, object], text: str
) -> None:
    """The message has the file, the key, what must hold and the mend."""
    contents = json.loads(record().model_dump_json())
    with pytest.raises(CalibrationError) as caught:
        parse_calibration_record(json.dumps({**contents, **change}), Path("site/r.json"))
    message = str(caught.value)
    assert message.startswith(f"site/r.json: is no calibration record: {text}")
    assert message.endswith("take the file as it was written")


@pytest.mark.parametrize("text", ["", "{", "[]", '{"id": 1}', '{"velocity_mm_per_us": NaN}'])
def test_record_that_is_none_is_told(tmp_path: Path, text: str) -> None:
    """Torn and foreign files are named."""
    path = tmp_path / "r.json"
    path.write_text(text, "utf-8")
    with pytest.raises(CalibrationError, match="is no calibration record: '"):
        read_calibration_record(path)


def test_record_torn_anywhere_is_told(tmp_path: Path) -> None:
    """A file cut off after any byte is refused, never half read."""
    text = record().model_dump_json(indent=1)
    for end in range(0, len(text) - 1, 37):
        with pytest.raises(CalibrationError):
            parse_calibration_record(text[:end], tmp_path / "r.json")


def test_record_missing_or_no_text_is_told(tmp_path: Path) -> None:
    """A missing file, a folder and bytes that are no text are named."""
    with pytest.raises(CalibrationError, match=r"gone\.json: is missing: look at the path"):
        read_calibration_record(tmp_path / "gone.json")
    with pytest.raises(CalibrationError, match="cannot be read"):
        read_calibration_record(tmp_path)
    (tmp_path / "r.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CalibrationError, match=r"r\.json: cannot be read: is no UTF-8 text"):
        read_calibration_record(tmp_path / "r.json")


def test_record_into_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    """The path is named and the system's own reason is given."""
    path = tmp_path / "nowhere" / "r.json"
    with pytest.raises(CalibrationError, match="cannot be written: No such file") as caught:
        write_calibration_record(path, record())
    assert caught.value.path == path


def test_block_without_a_temperature_is_warned_of() -> None:
    """It may be left out; then there is a warning, and no temperature correction."""
    made = record(celsius=None)
    assert made.warnings[1:] == (
        "block temperature not recorded: no temperature correction is possible",
    )


def test_record_of_another_probe_or_block_than_calibrated_is_refused() -> None:
    """The separation and the block's uncertainty must be those that went into the calibration."""
    result = solve_steps(read(STEEL, BLOCK, sd=0.002, readings=5))
    more = {
        "time": TIME,
        "by": "A. Moen",
        "procedure": "",
        "material": "carbon steel",
        "couplant": "water",
        "instrument": InstrumentRecord(name="g", serial="1"),
    }
    block = BlockRecord(name="b", serial="1", temperature_degC=20.0)
    with pytest.raises(CalibrationError, match=r"'probe\.separation_mm' must be that of the cal"):
        new_record(result, block=block, probe=PAIR, **more)  # type: ignore[arg-type]
    sharp = block.model_copy(update={"u_thickness_mm": 0.01})
    with pytest.raises(CalibrationError, match=r"'block\.u_thickness_mm' must be that of the cal"):
        new_record(result, block=sharp, probe=SINGLE, **more)  # type: ignore[arg-type]
    with pytest.raises(CalibrationError, match="no calibration record comes of it: 'by' String"):
        new_record(result, block=block, probe=SINGLE, **{**more, "by": ""})  # type: ignore[arg-type]


def test_record_of_two_steps_without_repeats_has_no_infinities(tmp_path: Path) -> None:
    """What is not known or infinite is null in the file and comes back as such."""
    made = new_record(
        solve_steps(read(STEEL, (5.0, 15.0)), time_resolution_us=0.001),
        time=TIME,
        by="A. Moen",
        procedure="",
        material="carbon steel",
        block=BlockRecord(name="b", serial="1", temperature_degC=20.0),
        probe=SINGLE,
        couplant="water",
        instrument=InstrumentRecord(name="g", serial="1"),
    )
    assert (made.u_dof, made.repeatability_mm) == (None, None)
    write_calibration_record(tmp_path / "r.json", made)
    assert read_calibration_record(tmp_path / "r.json") == made


@pytest.mark.parametrize(
    ("place", "key", "taken", "refused"),
    [
        (("block",), "temperature_degC", [-273.14, None], [-273.15]),
        (("block",), "u_thickness_mm", [0.0], [-1e-9]),
        (("steps", 0), "thickness_mm", [1e-9], [0.0]),
        (("steps", 0), "time_of_flight_us", [0.0], [-1e-9]),
        (("steps", 0), "sd_us", [0.0], [-1e-9]),
        (("steps", 0), "readings", [1], [0, 1.5]),
        (("steps", 0), "residual_mm", [-1.0], ["none"]),
        (("probe",), "diameter_mm", [1e-9], [0.0]),
        (("probe",), "frequency_MHz", [1e-9], [0.0]),
        ((), "by", ["x"], [""]),
        ((), "approved_by", [None, "B. Lund"], [1]),
        ((), "velocity_mm_per_us", [1e-9], [0.0]),
        ((), "zero_offset_us", [-1.0, 0.0], ["none"]),
        ((), "u_velocity", [0.0], [-1e-9]),
        ((), "u_zero_offset", [0.0], [-1e-9]),
        ((), "correlation", [-1.0, 1.0], [-1.001, 1.001]),
        ((), "dof", [0], [-1]),
        ((), "u_dof", [None, 1.0], [0.999]),
        ((), "repeatability_mm", [None, 0.0], [-1e-9]),
    ],
)
def test_record_key_at_its_limit(
    place: tuple[str | int, ...], key: str, taken: list[object], refused: list[object]
) -> None:
    """The limit itself is taken or not as the key has it, and what is beyond is refused by name."""

    def contents(value: object) -> str:
        whole = json.loads(record().model_dump_json())
        table: Any = whole
        for step in place:
            table = table[step]
        table[key] = value
        return json.dumps(whole)

    for value in taken:
        found: Any = CalibrationRecord.model_validate_json(contents(value)).model_dump()
        for step in place:
            found = found[step]
        assert found[key] == value
    for value in refused:
        with pytest.raises(CalibrationError, match=rf"{key}' "):
            parse_calibration_record(contents(value), Path("r.json"))


@pytest.mark.parametrize("key", ["velocity_mm_per_us", "zero_offset_us", "u_velocity"])
@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity"])
def test_record_of_what_is_no_number_is_refused(key: str, value: str) -> None:
    """Neither NaN nor infinity is a value of a record."""
    contents = json.loads(record().model_dump_json())
    text = json.dumps({**contents, key: None}).replace(f'"{key}": null', f'"{key}": {value}')
    with pytest.raises(CalibrationError, match=key):
        parse_calibration_record(text, Path("r.json"))


def test_records_are_not_changed_after_they_are_made() -> None:
    """A signed record, its block, steps, probe and instrument keep what they were made with."""
    made = record()
    for table, key in (
        (made, "velocity_mm_per_us"),
        (made.block, "serial"),
        (made.steps[0], "thickness_mm"),
        (made.probe, "diameter_mm"),
        (made.instrument, "serial"),
    ):
        before = getattr(table, key)
        with pytest.raises(ValidationError, match="frozen"):
            setattr(table, key, before)
        with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
            type(table).model_validate({**table.model_dump(), "colour": "red"})
