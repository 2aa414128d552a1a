"""A station file whose devices are told by protocol descriptions."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from daemon.handmade import station_text
from swathe.errors import StationError
from swathe.station import parse_station, read_station, station_in_journal

WHOLE = station_text()


def split(tmp_path: Path) -> tuple[str, str]:
    """The same station with the encoder's protocol in a file of its own: its text, and the file's."""
    head, mark, rest = WHOLE.partition("[device.encoder.protocol]\n")
    assert mark
    protocol, bracket, tail = rest.partition("\n[")
    description = f'[port]\nbaud = 9600\nparity = "even"\n\n[protocol]\n{protocol}\n'
    (tmp_path / "encoder.toml").write_text(description, "utf-8")
    text = head.replace("[device.encoder]\n", '[device.encoder]\ndescription = "encoder.toml"\n')
    text = text.replace("baud = ", "parity = 'odd'\nbaud = ") if "baud = " in text else text
    return text + bracket.lstrip("\n") + tail, description


def problems(text: str, tmp_path: Path) -> list[str]:
    """What is said about a bad station file."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "x", folder=tmp_path)
    return [str(problem) for problem in caught.value.problems]


def test_description_gives_the_same_device_as_its_tables(tmp_path: Path) -> None:
    """Looked up beside the station file; what the station file says itself goes before."""
    text, description = split(tmp_path)
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    station, told = read_station(path)
    whole = parse_station(WHOLE, "x")
    assert told == text
    device = station.device["encoder"]
    assert device.protocol == whole.device["encoder"].protocol
    assert device.driver == "delimited"
    own = tomllib.loads(text)["device"]["encoder"]
    assert device.parity == own.get("parity", "even")
    assert device.baud == own.get("baud", 9600)
    assert station.descriptions == {"encoder.toml": description}
    assert whole.descriptions == {}


def test_description_comes_out_of_the_journal_without_a_file(tmp_path: Path) -> None:
    """A rebuild looks nothing up: the texts stand beside the station file's."""
    text, description = split(tmp_path)
    (tmp_path / "encoder.toml").unlink()
    detail = {"station": text, "descriptions": {"encoder.toml": description}}
    station = station_in_journal(detail, "journal")
    assert station.device["encoder"].protocol
    assert station.descriptions == detail["descriptions"]
    with pytest.raises(StationError, match="is not in the journal"):
        station_in_journal({"station": text}, "journal")


def test_description_problems_name_file_and_key(tmp_path: Path) -> None:
    """A missing file, a mistake in it, and what may not stand beside it; no other noise."""
    text, description = split(tmp_path)
    both = text.replace('"encoder.toml"\n', '"encoder.toml"\ndriver = "delimited"\n')
    assert problems(both, tmp_path) == [
        "'device.encoder.driver' must be left out with a description (got 'delimited'):"
        " encoder.toml has it"
    ]
    (tmp_path / "encoder.toml").write_text(description.replace("9600", "1"), "utf-8")
    assert problems(text, tmp_path) == [
        "'device.encoder.description' names encoder.toml, whose 'port.baud' must be >= 50 (got 1)"
    ]
    (tmp_path / "encoder.toml").unlink()
    assert problems(text, tmp_path) == [
        "'device.encoder.description' must name a protocol description: there is no such file;"
        " check the path (got 'encoder.toml')"
    ]
    assert problems(text.replace('"encoder.toml"', "1"), tmp_path) == [
        "'device.encoder.description' must be a valid string (got 1)"
    ]
