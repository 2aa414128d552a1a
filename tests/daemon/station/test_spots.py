"""The plan of spots: lists, grids and CSV files; every wrong row is named with its remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.spot_journal import spot_station
from swathe.errors import StationError
from swathe.station import Station, parse_station, read_station, texts_for_journal
from swathe.station.describe import summarize_station

GAUGE = """
[device.gauge]
port = "ports/gauge"
protocol.columns = [{ is = "thickness", unit = "mm" }]
"""


def text(spots: str, more: str = "") -> str:
    """Return a station file with lines of its table of spots."""
    head = f'name = "bench"\n[survey]\nfolder = "survey"\n{more}[spots]\n'
    return f'{head}max_spread = "0.1 mm"\n{spots}\n{GAUGE}'


def station_of(folder: Path, table: bytes) -> Station:
    """Return the station whose spots are in a CSV file."""
    (folder / "spots.csv").write_bytes(table)
    path = folder / "bench.toml"
    path.write_text(text('file = "spots.csv"'), encoding="utf-8")
    return read_station(path)[0]


def problems_of(folder: Path, table: bytes) -> list[str]:
    """Return what is wrong with a CSV file."""
    with pytest.raises(StationError) as raised:
        station_of(folder, table)
    return [str(problem) for problem in raised.value.problems]


def names(station: Station) -> list[str]:
    """Return the names of the spots."""
    return [spot.name for spot in station.spot_list]


def test_list_is_the_cells_of_the_scan_axis() -> None:
    """Cell k is spot k, at its number; there is one line."""
    station = parse_station(spot_station(("A", "B", "C")), "bench.toml")
    assert names(station) == ["A", "B", "C"]
    assert station.shape == (1, 3)
    assert station.scan_axis.centres.tolist() == [1.0, 2.0, 3.0]


def test_single_spot_is_a_plan() -> None:
    """One spot is one cell."""
    assert parse_station(spot_station(("A",)), "bench.toml").shape == (1, 1)


def test_grid_is_read_row_by_row() -> None:
    """Each spot is named by its row and its column."""
    station = parse_station(text('grid = { rows = ["A", "B"], columns = ["1", "2"] }'), "bench")
    assert names(station) == ["A1", "A2", "B1", "B2"]
    assert station.spot_list[2].place == "row B, column 1"


@pytest.mark.parametrize(
    "table",
    [
        b'name,nominal,place\nP1,14 mm,crown\n\nP2,,"left, low"\n',
        b"\xef\xbb\xbfPlace;Name;Nominal_mm\r\ncrown;P1;14\r\nleft, low;P2;\r\n",
        b'name,place,nominal_in\nP1,crown,0.5511811023622047\nP2,"left, low",\n',
    ],
)
def test_csv_is_read_by_its_heading(tmp_path: Path, table: bytes) -> None:
    """With commas or semicolons, in any order of columns, with a unit in cell or heading."""
    station = station_of(tmp_path, table)
    assert names(station) == ["P1", "P2"]
    first, second = station.spot_list
    assert first.nominal == pytest.approx(14.0, abs=1e-9)
    assert (first.place, second.place, second.nominal) == ("crown", "left, low", None)


def test_csv_with_bad_rows_names_file_row_column_and_remedy(tmp_path: Path) -> None:
    """All of them at once."""
    table = b"name,nominal,place\nP1,14,\nP2,-3 mm,\n,14 mm,\nP1,14 mm,\nP4,14 mm,a,b\n"
    point = "write it with a point, or leave the cell empty for survey.nominal_thickness"
    assert problems_of(tmp_path, table) == [
        "'spots.csv, row 2, column nominal' must be a length with its unit, such as '178 mm'"
        f" (got '14'): {point}",
        f"'spots.csv, row 3, column nominal' must be > 0 (got '-3 mm'): {point}",
        "'spots.csv, row 4, column name' must have 1 to 40 characters (got ''): name each spot",
        "'spots.csv, row 6' must have at most 3 cells (got 4): quote a cell that holds a ','",
        "'spots.csv, row 5, column name' must be a name of its own (got 'P1'):"
        " the name is that of spots.csv, row 2, column name, too",
    ]


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        (b"", "must have a heading and a row a spot"),
        (b"name\n", "must have a row for each spot"),
        (b"P1,14 mm\nP2,14 mm\n", "must be one of the columns name, nominal"),
        (b"nominal\n14 mm\n", "must have a column 'name'"),
        (b"name,name\nP1,P2\n", "must be there once"),
        (b"name,nominal,nominal_mm\nP1,14 mm,14\n", "must have one column of nominal"),
        (b"name,nominal_mm\nP1,fourteen\n", "must be a number of mm"),
        (b"name\nP\xff1\n", "must name a readable CSV file: it is not UTF-8 text"),
    ],
)
def test_csv_that_is_no_plan_is_refused(tmp_path: Path, table: bytes, problem: str) -> None:
    """A file without heading, rows or names."""
    assert any(problem in one for one in problems_of(tmp_path, table))


def test_csv_that_is_missing_is_refused(tmp_path: Path) -> None:
    """By its name."""
    path = tmp_path / "bench.toml"
    path.write_text(text('file = "none.csv"'), encoding="utf-8")
    with pytest.raises(StationError, match="must name a readable CSV file: No such file"):
        read_station(path)


def test_text_in_the_journal_gives_the_same_plan(tmp_path: Path) -> None:
    """A journal is complete without the CSV file."""
    station = station_of(tmp_path, b"name,nominal_mm\nP1,14\nP2,\n")
    detail = texts_for_journal(station)
    (tmp_path / "spots.csv").unlink()
    again = parse_station((tmp_path / "bench.toml").read_text(), "journal", spots=detail["spots"])
    assert again.spot_list == station.spot_list


@pytest.mark.parametrize(
    ("spots", "found"),
    [
        ("", "got none"),
        ('file = "a.csv"\ngrid = { rows = ["A"], columns = ["1"] }', "got grid and file"),
    ],
)
def test_plan_has_one_source(spots: str, found: str) -> None:
    """A list, a grid or a file."""
    with pytest.raises(StationError, match=found):
        parse_station(text(spots), "bench.toml")


@pytest.mark.parametrize("table", ["scan", "index", "exclude", "mark", "motion"])
def test_tables_of_a_scan_are_refused(table: str) -> None:
    """Spots are the plan."""
    more = f"[[{table}]]\n" if table in ("exclude", "mark") else f"[{table}]\n"
    with pytest.raises(StationError) as raised:
        parse_station(text('spot = [{ name = "A" }]') + more, "bench.toml")
    (problem,) = raised.value.problems
    assert problem.key == table
    assert "must be left out with [spots]" in str(problem)


def test_list_with_equal_names_is_refused() -> None:
    """A name belongs to one spot."""
    with pytest.raises(StationError, match=r"spots.spot\[1\].name' must be a name of its own"):
        parse_station(spot_station(("A", "A")), "bench.toml")


def test_plan_in_words_warns_where_no_lift_is_required() -> None:
    """What a key pressed twice does is to be known."""
    lines = summarize_station(parse_station(spot_station(("A", "B")), "bench.toml"))
    assert lines[:4] == [
        "2 spots without an encoder: A, B",
        "each is coupled once, the probe lifted before each",
        "taken by a key or a command: 10 readings or more over 0.2 s that differ by at most 0.1 mm",
        "a spot keeps its minimum reading; done at 100 % coverage",
    ]
    slid = spot_station(spots="lift_required = false\nauto = true\ncouplings = 3")
    lines = summarize_station(parse_station(slid, "bench.toml"))
    assert "3 times, WARNING: a coupling counts without a lift" in lines[1]
    assert lines[2].startswith("taken by itself once steady")
