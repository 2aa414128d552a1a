"""Readings on a step block from a CSV file."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.calibration import CalibrationError, read_readings

HEADER = "step (mm),time of flight (us)"


def put(folder: Path, text: str) -> Path:
    """Write a file of readings."""
    path = folder / "readings.csv"
    path.write_text(text, "utf-8")
    return path


def test_readings_are_gathered_by_step(tmp_path: Path) -> None:
    """Mean, standard deviation and count of each step, thinnest first; blank lines don't matter."""
    text = f"{HEADER}\n10,3.63\n5.0,1.93\n\n5,1.95\n 10.00 , 3.62\n5,1.94\n"
    steps = read_readings(put(tmp_path, text), u_thickness=0.003)
    assert [(s.thickness, s.readings, s.u_thickness) for s in steps] == [
        (5.0, 3, 0.003),
        (10.0, 2, 0.003),
    ]
    assert [s.time_of_flight for s in steps] == pytest.approx([1.94, 3.625])
    assert [s.sd for s in steps] == pytest.approx([0.01, 0.01 / 2**0.5])


def test_readings_single_have_no_scatter(tmp_path: Path) -> None:
    """One reading on a step tells no standard deviation."""
    (step,) = read_readings(put(tmp_path, f"{HEADER}\n5,1.94\n"))
    assert (step.readings, step.sd) == (1, 0.0)


@pytest.mark.parametrize(
    "text",
    [
        "step (in),time of flight (ns)\n0.2,1966\n0.5,4541\n",
        "time of flight (ns);note;Step ( inch )\n1966;ok;0.2\n4541;;0.5\n",
        "Time of Flight (ns)\tstep (thou)\r\n1966\t200\r\n4541\t500\r\n",
        "\ufeffstep (cm),time  of flight (ms)\n0.508,1.966e-3\n1.27,4.541E-3\n",
    ],
)
def test_readings_in_any_unit_and_order(tmp_path: Path, text: str) -> None:
    """Units of the header, order of the columns, and what parts the fields, are free."""
    steps = read_readings(put(tmp_path, text))
    assert [step.thickness for step in steps] == [5.08, 12.7]
    assert [step.time_of_flight for step in steps] == pytest.approx([1.966, 4.541], rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty: begin it with the header 'step (mm),time of flight (us)'"),
        ("\n \n", "is empty: begin it with the header"),
        (HEADER + "\n", "holds no reading below its header"),
        ("5,1.94\n", "line 1: must be the header, with a column step and a column time of flight"),
        ("step (mm),time (us)\n5,1.9\n", "line 1: must be the header, with a column time of"),
        ("step,time of flight (us)\n", "line 1, column 'step': must name its unit, as in"),
        ("step (us),time of flight (us)\n", "line 1, column 'step (us)': its unit must be a length"),
        ("step (mil),time of flight (us)\n", "'mil' is an angle to the units library, write 'thou'"),
        ("step (mm),time of flight (mm)\n", "column 'time of flight (mm)': its unit must be a time"),
        ("step (mm),time of flight (us),step (in)\n", "column 'step (in)': is there twice, after"),
        (f"{HEADER}\n5,1.94\n5 mm,1.94\n", "line 3, column 'step (mm)': must be a number > 0 (got"),
        (f"{HEADER}\n0.2 in,1.94\n", "(got '0.2 in'): the unit is in the header, one for"),
        (f"{HEADER}\n5,nan\n", "line 2, column 'time of flight (us)': must be a number > 0 (got 'nan'"),
        (f"{HEADER}\n5,-1.9\n", "line 2, column 'time of flight (us)': must be a number > 0 (got '-1"),
        (f"{HEADER}\n0,1.9\n", "line 2, column 'step (mm)': must be a number > 0 (got '0')"),
        (f"{HEADER}\n5,\n", "(got ''): leave the row out if there was no echo"),
        (f"{HEADER}\n5,1e999\n", "must be a number > 0 (got '1e999')"),
        (f"{HEADER}\n5,1_9\n", "must be a number > 0 (got '1_9')"),
        (f"{HEADER}\n5,1.9,7\n", "line 2: must have 2 fields, as the header has (got 3)"),
        (f"{HEADER}\n5\n", "line 2: must have 2 fields, as the header has (got 1)"),
        (f"{HEADER}\n5,0,1,94\n", "(got 4): write decimals after a point, or part the fields by"),
        ("step (mm);time of flight (us)\n5;1,94\n", "(got '1,94'): write the decimals after a point"),
    ],
)  # fmt: skip
def test_readings_that_cannot_be_are_told_with_their_place(
    tmp_path: Path, text: str, message: str
) -> None:
    """The message has file, line, column, what was found and the mend."""
    path = put(tmp_path, text)
    with pytest.raises(CalibrationError) as caught:
        read_readings(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert message in str(caught.value)
    assert caught.value.path == path


def test_readings_missing_or_no_text_are_told(tmp_path: Path) -> None:
    """A missing file and one that is no text are named."""
    with pytest.raises(CalibrationError, match=r"gone\.csv: cannot be read: No such file"):
        read_readings(tmp_path / "gone.csv")
    path = tmp_path / "readings.csv"
    path.write_bytes(b"\xff\xfe\x00step")
    with pytest.raises(CalibrationError, match="is no UTF-8 text"):
        read_readings(path)
    path.write_bytes(HEADER.encode() + b"\n5,1." + b"9" * 200_000 + b"\n")
    with pytest.raises(CalibrationError, match="line 2: is no CSV: field larger"):
        read_readings(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (f"{HEADER}\n5,0,1,939\n", ": write decimals after a point, or part the fields by semicolons"),
        (f"{HEADER}\n5, 0 ,1\n", ": write decimals after a point, or part the fields by semicolons"),
        (f"{HEADER}\n5,1.9,7\n", ""),
        (f"{HEADER}\n5,1,x\n", ""),
        ("step (mm);time of flight (us)\n5;0;1\n", ""),
        ("step (mm);time of flight (us)\n5;0;x\n", ""),
    ],
)  # fmt: skip
def test_readings_of_too_many_fields_with_a_hint_where_it_may_hold(
    tmp_path: Path, text: str, message: str
) -> None:
    """Decimal commas are suspected only of digits alone that commas part."""
    path = put(tmp_path, text)
    count = len(text.splitlines()[1].replace(";", ",").split(","))
    with pytest.raises(CalibrationError) as caught:
        read_readings(path)
    expected = f"{path}: line 2: must have 2 fields, as the header has (got {count}){message}"
    assert str(caught.value) == expected


@pytest.mark.parametrize(
    ("cell", "ending"),
    [
        ("1;94", "(got '1;94')"),
        ("abc", "(got 'abc')"),
        ("1.94 us", "(got '1.94 us'): the unit is in the header, one for the whole column"),
        ("-0", "(got '-0')"),
    ],
)
def test_readings_of_a_cell_that_is_no_number(tmp_path: Path, cell: str, ending: str) -> None:
    """A remedy is given only where the cause is seen."""
    path = put(tmp_path, f"step (mm)\ttime of flight (us)\n5\t{cell}\n")
    with pytest.raises(CalibrationError) as caught:
        read_readings(path)
    place = "line 2, column 'time of flight (us)'"
    assert str(caught.value) == f"{path}: {place}: must be a number > 0 {ending}"


def test_readings_of_two_have_a_scatter_and_no_uncertainty_of_the_block(tmp_path: Path) -> None:
    """1.93 and 1.95 µs scatter by 0.01 * sqrt(2); the block's uncertainty is 0 unless given."""
    (step,) = read_readings(put(tmp_path, f"{HEADER}\n5,1.93\n5,1.95\n"))
    assert (step.readings, step.u_thickness) == (2, 0.0)
    assert step.time_of_flight == pytest.approx(1.94)
    assert step.sd == pytest.approx(0.01 * 2**0.5)


def test_readings_of_rounds_are_couplings(tmp_path: Path) -> None:
    """A column of rounds, anywhere, parts the readings of a step into couplings."""
    path = tmp_path / "readings.csv"
    path.write_text(
        "Round,step (mm),time of flight (us)\n"
        "2,5.0,1.950\n1,5.0,1.939\n1,5.0,1.941\n2,10.0,3.640\n1,10.0,3.630\n",
        encoding="utf-8",
    )
    thin, thick = read_readings(path)
    assert [(one.round, one.readings) for one in thin.couplings] == [(1, 2), (2, 1)]
    assert [one.time_of_flight for one in thin.couplings] == pytest.approx([1.940, 1.950])
    assert thin.time_of_flight == pytest.approx(1.945)  # couplings count alike, not readings
    assert [one.time_of_flight for one in thick.couplings] == pytest.approx([3.630, 3.640])


@pytest.mark.parametrize("text", ["0", "-1", "1.5", "one", ""])
def test_round_that_is_no_number_is_told(tmp_path: Path, text: str) -> None:
    """Line and column are named, and what is needed."""
    path = tmp_path / "readings.csv"
    path.write_text(f"step (mm),round,time of flight (us)\n5.0,{text},1.95\n", encoding="utf-8")
    with pytest.raises(CalibrationError) as caught:
        read_readings(path)
    assert "line 2, column 'round': must be a whole number from 1" in str(caught.value)
    assert repr(text) in str(caught.value)
