"""Stations of several areas: what an included file and an area put in place of what."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.errors import StationError
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Pipeline
from swathe.station import (
    Station,
    areas_in,
    parse_station,
    read_devices,
    read_station,
    station_in_journal,
    survey_folder,
    texts_for_journal,
)
from swathe.store import record_of

DEVICES = """
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "/dev/ttyUSB0"
delay = "2 ms"
protocol.columns = [{ is = "counts", axis = "scan" }]
[device.gauge]
port = "/dev/ttyUSB1"
baud = 57600
protocol.columns = [{ is = "time_of_flight", unit = "us", min = 0, max = 100 }]
"""
SHARED = """
name = "penstock-3"
[survey]
folder = "penstock-3"
operator = "A. Stein"
cell_rule = "mean"
[scan]
length = "900 mm"
resolution = "4 mm"
device = "encoder"
counts_per_mm = 26.07
"""
AREAS = """
[area.belt-1]
[area.belt-2.survey]
part = "belt 2"
[area.belt-2.scan]
length = "1400 mm"
[[area.belt-2.exclude]]
name = "manhole"
scan = ["200 mm", "420 mm"]
[area.ring.survey]
folder = "rings/7"
"""
INCLUDE = 'include = "devices.toml"\n'


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a station file with areas, next to the devices that it includes."""
    (tmp_path / "devices.toml").write_text(DEVICES, "utf-8")
    file = tmp_path / "penstock.toml"
    file.write_text(INCLUDE + SHARED + AREAS, "utf-8")
    return file


def problems(error: pytest.ExceptionInfo[StationError]) -> list[tuple[str, str]]:
    """Return key and requirement of each problem."""
    return [(problem.key, problem.requirement) for problem in error.value.problems]


def test_an_area_holds_instead_of_the_tables_outside_key_by_key(path: Path) -> None:
    """What it does not name is as outside; its zones are its own."""
    first, _ = read_station(path, area="belt-1")
    second, _ = read_station(path, area="belt-2")
    assert (first.scan.length, second.scan.length) == (900, 1400)
    assert second.scan.resolution == first.scan.resolution == 4
    assert second.survey.cell_rule == "mean"
    assert (first.survey.part, second.survey.part) == ("", "belt 2")
    assert (len(first.exclude), len(second.exclude)) == (0, 1)
    assert second.device["gauge"].baud == 57600
    assert second.chosen.area == "belt-2"


def test_each_area_has_a_survey_folder(path: Path) -> None:
    """It is below that of the file, or its own."""
    folders = [survey_folder(read_station(path, area=name)[0], path) for name in areas_in(path)]
    assert folders == [
        path.parent / "penstock-3" / "belt-1",
        path.parent / "penstock-3" / "belt-2",
        path.parent / "rings" / "7",
    ]


def test_the_operator_of_a_run_replaces_that_of_the_file(path: Path) -> None:
    """An area that names one is replaced, too."""
    assert read_station(path, area="ring")[0].survey.operator == "A. Stein"
    assert read_station(path, area="ring", operator="M. Okafor")[0].survey.operator == "M. Okafor"
    text = path.read_text("utf-8").replace('part = "belt 2"', 'operator = "B. Lund"')
    path.write_text(text, "utf-8")
    assert read_station(path, area="belt-2")[0].survey.operator == "B. Lund"
    assert read_station(path, area="belt-2", operator="C. Roth")[0].survey.operator == "C. Roth"


def test_a_file_with_areas_needs_the_choice_of_one(path: Path) -> None:
    """The error has the names; devices can be used without."""
    with pytest.raises(StationError, match="belt-1, belt-2, ring") as error:
        read_station(path)
    assert problems(error) == [("area", "must be chosen")]
    with pytest.raises(StationError) as error:
        read_station(path, area="belt-3")
    assert problems(error) == [("area", "must be one of: belt-1, belt-2, ring")]
    assert read_devices(path).device["encoder"].delay == 2_000_000


def test_an_area_without_areas_in_the_file_is_refused(path: Path) -> None:
    """An area that is not there cannot be meant."""
    path.write_text(INCLUDE + SHARED, "utf-8")
    assert areas_in(path) == []
    assert read_station(path)[0].chosen.area == ""
    with pytest.raises(StationError) as error:
        read_station(path, area="belt-1")
    assert problems(error) == [("area", "must be in the station file")]


def test_the_station_file_holds_instead_of_the_included_one(path: Path) -> None:
    """Key by key, as an area does."""
    own = '[device.gauge]\nbaud = 9600\nport = "/dev/ttyUSB7"\n'
    path.write_text(INCLUDE + SHARED + own, "utf-8")
    gauge = read_station(path)[0].device["gauge"]
    assert (gauge.baud, gauge.port) == (9600, "/dev/ttyUSB7")
    assert gauge.protocol["columns"]


@pytest.mark.parametrize(
    ("text", "key", "requirement"),
    [
        ('name = "x"', "devices.toml: name", "must be in the station file itself"),
        ('include = "more.toml"', "devices.toml: include", "must be in the station file itself"),
        ("[area.x]", "devices.toml: area", "must be in the station file itself"),
        ("[device", "devices.toml", "must be TOML"),
        ("\udce9", "include", "must name a readable TOML file"),
        (None, "include", "must name a readable TOML file"),
    ],
)
def test_an_included_file_that_cannot_be_used(
    path: Path, text: str | None, key: str, requirement: str
) -> None:
    """The error names the file and what is wrong in it."""
    devices = path.parent / "devices.toml"
    if text is None:
        devices.unlink()
    else:
        devices.write_bytes(text.encode("utf-8", "surrogateescape") + b"\n" + DEVICES.encode())
    with pytest.raises(StationError) as error:
        read_station(path, area="belt-1")
    ((found, why),) = problems(error)
    assert (found, why[: len(requirement)]) == (key, requirement)


def test_a_problem_is_named_where_it_is_written(path: Path) -> None:
    """In the area, in the file itself, in the included file."""
    text = path.read_text("utf-8").replace('"1400 mm"', '"-1 mm"').replace("26.07", "-1")
    path.write_text(text, "utf-8")
    (path.parent / "devices.toml").write_text(DEVICES.replace("57600", "0"), "utf-8")
    with pytest.raises(StationError) as error:
        read_station(path, area="belt-2")
    assert [key for key, _ in problems(error)] == [
        "area.belt-2.scan.length",
        "scan.counts_per_mm",
        "devices.toml: device.gauge.baud",
    ]


@pytest.mark.parametrize("key", ['name = "x"', 'include = "x"'])
def test_what_belongs_to_the_file_is_not_in_an_area(path: Path, key: str) -> None:
    """All areas have one name and one topic."""
    text = path.read_text("utf-8").replace("[area.belt-1]\n", f"[area.belt-1]\n{key}\n")
    path.write_text(text, "utf-8")
    with pytest.raises(StationError) as error:
        read_station(path, area="belt-1")
    assert problems(error) == [
        (f"area.belt-1.{key[: key.index(' ')]}", "must be outside of the areas")
    ]


def opened_with(station: Station, text: str, time: int) -> Mark:
    """Return the mark that opens a run, as a session writes it."""
    detail = {"survey": "s-1", "station": text, "versions": {}, "utc_ns": 10**18 + time}
    return Mark(time, MarkKind.OPENED, {**detail, **texts_for_journal(station)})


def test_the_journal_has_all_that_was_chosen(path: Path) -> None:
    """The station is read from it though the files are gone."""
    station, text = read_station(path, area="belt-2", operator="M. Okafor")
    mark = opened_with(station, text, 10**9)
    (path.parent / "devices.toml").unlink()
    assert station_in_journal(mark.detail, "journal") == station
    with pytest.raises(StationError) as error:
        parse_station(text, "journal")
    assert problems(error) == [
        ("include", "must be in the journal"),
        ("area", "must be chosen"),
    ]


def test_the_record_has_area_and_all_operators(path: Path) -> None:
    """Each once, in the order of the runs; one who only checks is none."""
    names = ["M. Okafor", "A. Stein", "M. Okafor"]
    stations = [read_station(path, area="belt-2", operator=name) for name in names]
    pipeline = Pipeline(stations[0][0])
    for number, (station, text) in enumerate(stations):
        pipeline.feed(opened_with(station, text, (1 + number) * 10**9))
    checker, text = read_station(path, area="belt-2", operator="B. Lund")
    mark = opened_with(checker, text, 9 * 10**9)
    pipeline.feed(mark._replace(detail={**mark.detail, "purpose": "check"}))
    record = record_of(pipeline)
    assert (record.area, record.operators) == ("belt-2", ("M. Okafor", "A. Stein"))
