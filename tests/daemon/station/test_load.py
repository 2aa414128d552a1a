"""A station file: what a good one gives, and everything that is wrong with a bad one at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.handmade import INDEX_ENCODED, INDEX_STEPPED, station_text
from swathe.errors import Problem, StationError
from swathe.station import (
    AxisMode,
    CellRule,
    ExclusionSettings,
    LineAdvance,
    decoder_of,
    excluded_cells,
    parse_station,
    read_station,
    survey_folder,
)

GOOD = station_text(scan_length=900, index=INDEX_ENCODED.format(length=240))


def problems(text: str) -> list[str]:
    """Return what is said about a bad station file, a line each."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    return [str(problem) for problem in caught.value.problems]


def test_load_good_file_gives_station_and_text(tmp_path: Path) -> None:
    """Units are converted, defaults filled in, and the text comes back as it is."""
    path = tmp_path / "bench.toml"
    path.write_text(GOOD, encoding="utf-8")
    station, text = read_station(path)
    assert text == GOOD
    assert station.name == "bench"
    assert station.shape == (241, 901)
    assert station.scan.mode is AxisMode.ENCODED
    assert station.survey.cell_rule is CellRule.MINIMUM
    assert station.survey.target_coverage == 100.0
    assert station.placing.bracket == 250_000_000
    assert station.placing.lateness == 100_000_000
    assert station.calibration is not None
    assert station.calibration.velocity == 5.92
    assert station.broker is None
    assert station.exclude == ()
    assert survey_folder(station, path) == tmp_path.resolve() / "bench"


def test_load_inches_give_the_same_grid() -> None:
    """7.000 in at 0.050 in by 3.000 in at 0.250 in is a grid of 141 by 13 cells."""
    text = GOOD.replace('"900 mm"', '"7.000 in"').replace('"240 mm"', '"3.000 in"')
    text = text.replace('resolution = "1 mm"', 'resolution = "0.050 in"', 1)
    text = text.replace('resolution = "1 mm"', 'resolution = "0.250 in"', 1)
    assert parse_station(text, "x").shape == (13, 141)


def test_load_line_profile_and_stepped_index() -> None:
    """Without an index axis there is one row at 0 mm; a stepped one needs no device."""
    profile = parse_station(station_text(), "x")
    assert profile.shape == (1, 21)
    assert profile.index_axis.centres.tolist() == [0.0]
    stepped = parse_station(
        station_text(index=INDEX_STEPPED.format(length=4, advance="return")), "x"
    )
    assert stepped.shape == (5, 21)
    assert stepped.index is not None
    assert stepped.index.advance is LineAdvance.RETURN


def test_decoder_of_device_uses_the_baud_rate() -> None:
    """A decoder is made new each time and knows its columns."""
    station = parse_station(GOOD, "x")
    decoder = decoder_of(station.device["encoder"])
    assert decoder.axes == ("scan", "index")
    assert decoder is not decoder_of(station.device["encoder"])
    assert decoder_of(station.device["gauge"]).gives == {"time_of_flight"}


def test_parse_many_mistakes_all_told_at_once() -> None:
    """Eleven mistakes in five tables are told in one go: key, requirement, value got, remedy."""
    text = GOOD
    for right, wrong in (
        ('name = "bench"', 'name = "be nch"'),
        ('folder = "bench"', 'folder = ""\ncell_rule = "median"\ntarget_coverge = "95 %"'),
        ('length = "900 mm"', "length = 900"),
        (
            'resolution = "1 mm"\ndevice = "encoder"\ncounts_per_mm = 10\n',
            'resolution = "10 mil"\n',
        ),
        ('length = "240 mm"', 'length = "-240 mm"'),
        ('velocity = "5920 m/s"', 'velocity = "5920 m"'),
        ('port = "ports/gauge"', 'port = "ports/gauge"\ndelay = "-1 ms"\nstopbits = 3'),
        ("[calibration]", "[brocker]\nembedded = true\n[calibration]"),
    ):
        assert right in text
        text = text.replace(right, wrong, 1)
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    told = [str(problem) for problem in caught.value.problems]
    assert told == [
        "'name' must match ^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$ (got 'be nch')",
        "'survey.folder' must have at least 1 character(s) (got '')",
        "'survey.cell_rule' must be 'minimum', 'mean', 'first', 'last' or 'strongest'"
        " (got 'median')",
        "'survey.target_coverge' is not a known key (got '95 %'): did you mean 'target_coverage'?",
        "'scan.length' must be a length with its unit, such as '178 mm' (got 900)",
        "'scan.resolution' must be a length: 'mil' is an angle to the units library,"
        " write 'thou' for 0.001 in (got '10 mil')",
        "'index.length' must be > 0.0 (got '-240 mm')",
        "'device.gauge.stopbits' must be 1 or 2 (got 3)",
        "'device.gauge.delay' must be >= 0 (got '-1 ms')",
        "'calibration.velocity' must be a velocity with its unit, such as '5920 m/s' (got '5920 m')",
        "'brocker' is not a known key (got {'embedded': True}): did you mean 'broker'?",
    ]
    assert str(caught.value).startswith("bench.toml: 11 problems\n  - 'name' must")
    assert str(caught.value).count("\n  - ") == 11
    assert caught.value.path == "bench.toml"


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        (
            'velocity = "',
            'velocty = "',
            [
                "'calibration.velocty' is not a known key (got '5920 m/s'):"
                " did you mean 'velocity'?",
            ],
        ),
        (
            'port = "ports/encoder"',
            'port = "ports/encoder"\nbaud = 0',
            ["'device.encoder.baud' must be >= 50 (got 0)"],
        ),
        (
            'port = "ports/encoder"',
            'port = "gopher://x"',
            [
                "'device.encoder.port' must be a device or begin with socket:// or rfc2217://;"
                " a port is COM3, /dev/ttyUSB0, usb:SERIAL (see `swathe ports`), socket://HOST:PORT,"
                " rfc2217://HOST:PORT or capture:FILE (got 'gopher://x')"
            ],
        ),
        (
            'port = "ports/encoder"',
            'port = "10.0.0.5:4001"',
            [
                "'device.encoder.port' must say how the host is reached: socket://10.0.0.5:4001 for a TCP"
                " stream; a port is COM3, /dev/ttyUSB0, usb:SERIAL (see `swathe ports`),"
                " socket://HOST:PORT, rfc2217://HOST:PORT or capture:FILE (got '10.0.0.5:4001')"
            ],
        ),
        (
            'port = "ports/encoder"',
            'port = "ports/encoder"\ndriver = "nope"',
            [
                "'device.encoder.driver' there is no driver 'nope'; known are: delimited, fixed_columns, frames, modbus, pattern"
                " (got 'nope')"
            ],
        ),
        (
            "[calibration]\n",
            "[calibration]\nzz = 1\n",
            [
                "'calibration.zz' is not a known key (got 1): known here: block_temperature, couplant, file, procedure, range_margin, temperature_validity, velocity, zero_offset",
            ],
        ),
    ],
)
def test_parse_mistake_in_one_table_named_by_its_key(
    right: str, wrong: str, told: list[str]
) -> None:
    """A mistake is told once, by its own key, with the nearest known key or all of them."""
    assert right in GOOD
    found = problems(GOOD.replace(right, wrong, 1))
    # A driver that tests install is known from then on in their process.
    assert [text.replace("invented_failing, ", "") for text in found] == told


def test_parse_unknown_column_lists_the_known_ones() -> None:
    """A column that no driver knows is answered with those that it knows, beside other mistakes."""
    right = '{is="device_time", unit="ms"}, {is="counts", axis="scan"}'
    assert right in GOOD
    unit, kind = problems(
        GOOD.replace(right, '{is="device_time", unit="h"}, {is="count", axis="scan"}', 1)
    )
    key = "device.encoder.protocol.columns"
    assert unit == f"'{key}[1].unit' must be 'ns', 'us', 'ms' or 's' (got 'h')"
    assert kind.startswith(f"'{key}[2].is' must be one of 'constant', ")
    assert "'counts'" in kind
    assert kind.endswith(" (got 'count')")


def without(text: str, start: str, lines: int) -> str:
    """Return `text` without the line that is `start` and the ones that follow it."""
    rows = text.splitlines()
    at = rows.index(start)
    return "\n".join(rows[:at] + rows[at + lines :])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            station_text(
                index=INDEX_STEPPED.format(length=4, advance="return")
                + '[index.second]\ndevice = "encoder"\ncounts_per_mm = 1\ntolerance = "1 mm"\n',
                free=False,
            ),
            "'index.second' needs an encoded axis (got 'stepped'): remove it: the line is set by"
            " marks, and no source can differ from them",
        ),
        (
            station_text(
                index=INDEX_STEPPED.format(length=4, advance="return"), scan='mode = "wrapped"'
            ),
            "'index.advance' must be command (got 'return'): a probe that goes round a pipe comes"
            " to no end at which it turns",
        ),
        (
            station_text(
                index=INDEX_STEPPED.format(length=4, advance="either end"), scan='mode = "wrapped"'
            ),
            "'index.advance' must be command (got 'either end'): a probe that goes round a pipe"
            " comes to no end at which it turns",
        ),
        (
            station_text(index=INDEX_ENCODED.format(length=4) + 'advance = "either end"\n'),
            "'index.advance' must be command (got 'either end'): the encoder gives the line;"
            ' remove it, or set mode = "stepped"',
        ),
        (
            station_text(scan='mode = "stepped"'),
            "'scan.mode' must be encoded or wrapped (got 'stepped'): step the index axis instead,"
            " or name the device that encodes the scan axis",
        ),
        (
            GOOD.replace('device = "encoder"\n', "", 1),
            "'scan.device' is required on an encoded axis: devices of this file: encoder, gauge",
        ),
        (
            GOOD.replace('device = "encoder"\n', 'device = "encodr"\n', 1),
            "'scan.device' must be one of the devices encoder, gauge (got 'encodr')",
        ),
        (
            station_text(scan='counts = "y"'),
            "'scan.counts' must be a counts column of the device (got 'y'): 'encoder' gives scan",
        ),
        (
            GOOD.replace('device = "encoder"\n', 'device = "gauge"\n', 1),
            "'scan.counts' must be a counts column of the device (got 'scan'): 'gauge' gives"
            " no counts",
        ),
        (
            station_text(scan_length=0.5),
            "'scan.length' must be at least one resolution (got '0.5 mm')",
        ),
        (
            station_text(scan_length=2e7, index=INDEX_ENCODED.format(length=99)),
            "'scan' must be at most 1,000,000 cells where the plan has over 100,000,000 (got"
            " '20,000,001'): raise a resolution or split the area into several surveys",
        ),
        (
            station_text(scan_length=2e7, index=INDEX_ENCODED.format(length=999)),
            "'scan × index' must be at most 10,000,000,000 cells (got '20,000,001,000'): raise a"
            " resolution or split the area into several surveys",
        ),
        (
            without(GOOD, "[calibration]", 2),
            "'calibration' is required: 'gauge' gives time of flight only: add velocity"
            " and zero_offset",
        ),
        (
            GOOD + '[device.second]\nport = "p2"\n[device.second.protocol]\n'
            'columns = [{is="thickness", unit="mm"}]\n',
            "'device' must hold exactly one device that gives readings (got 'gauge, second'):"
            " remove one, or give each a [[probe]] with its offset from the carriage's datum",
        ),
        (
            GOOD.split("[device.gauge]")[0],
            "'device' must hold exactly one device that gives readings (got 'none'): give one"
            " device a time_of_flight or thickness column, and only one",
        ),
        (
            station_text(exclude='[[exclude]]\nname = "weld"\nscan = ["9 mm", "3 mm"]'),
            "'exclude[0].scan' must run from the lower to the higher border (got '9 mm to 3 mm')",
        ),
        (
            station_text(exclude='[[exclude]]\nname = "weld"\nscan = ["30 mm", "40 mm"]'),
            "'exclude[0].scan' must touch the plan, 0 mm to 20 mm (got '30 mm to 40 mm')",
        ),
        (
            station_text(
                exclude='[[exclude]]\nname = "weld"\nscan = ["3 mm", "4 mm"]\n'
                'index = ["0 mm", "1 mm"]'
            ),
            "'exclude[0].index' needs an index axis (got '0 mm to 1 mm'): remove it: a plan without"
            " an index axis is a line profile",
        ),
    ],
)
def test_parse_tables_that_contradict_each_other(text: str, told: str) -> None:
    """Each check across tables names the key to change and how."""
    assert problems(text) == [told]


@pytest.mark.parametrize(
    ("right", "wrong", "keys"),
    [
        ('velocity = "5920 m/s"', 'velocity = "5920"', ["calibration.velocity"]),
        ('length = "8 mm"', 'length = "8"', ["index.length"]),
        ("[device.gauge.protocol]", "[device.gauge.protocl]", ["device.gauge.protocl"]),
    ],
)
def test_parse_wrong_table_brings_no_false_problems(
    right: str, wrong: str, keys: list[str]
) -> None:
    """A table that is there but wrong is not told to be missing; nothing is to be removed for it."""
    text = station_text(
        index=INDEX_ENCODED.format(length=8),
        exclude='[[exclude]]\nname = "weld"\nscan = ["3 mm", "4 mm"]\nindex = ["0 mm", "1 mm"]',
    )
    assert right in text
    with pytest.raises(StationError) as caught:
        parse_station(text.replace(right, wrong, 1), "x")
    assert [problem.key for problem in caught.value.problems] == keys


def test_parse_empty_file_names_every_required_table() -> None:
    """An empty file is told all that it lacks."""
    assert problems("") == [
        f"'{name}' is required: add {name} to the file"
        for name in ("name", "survey", "scan", "device")
    ]


def test_parse_no_toml_says_where() -> None:
    """A slip of the TOML itself is told with its line and column."""
    (told,) = problems('name = "bench"\n[survey\n')
    assert told.startswith("'station file' must be TOML (got \"Expected ']'")
    assert "line 2" in told
    with pytest.raises(StationError) as caught:
        parse_station('name = "bench"\nfolder = 4 mm\n', "bench.toml")
    assert str(caught.value).splitlines()[2:] == [
        "      2 | folder = 4 mm",
        "        |            ^",
        '        | texts, and numbers with a unit, are in quotes: "4 mm"',
    ]


def test_load_missing_or_unreadable_file(tmp_path: Path) -> None:
    """A path that leads nowhere, to a folder or to no text is told like any other problem."""
    with pytest.raises(StationError) as caught:
        read_station(tmp_path / "none.toml")
    path = str(tmp_path / "none.toml")
    assert caught.value.problems == [Problem("station file", "must exist", path, "check the path")]
    with pytest.raises(StationError, match="must be a readable UTF-8 text"):
        read_station(tmp_path)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(StationError, match="must be a readable UTF-8 text"):
        read_station(binary)


def test_survey_folder_absolute_path_stays(tmp_path: Path) -> None:
    """An absolute survey folder is not taken from the station file's place."""
    elsewhere = tmp_path / "elsewhere"
    station = parse_station(GOOD.replace('folder = "bench"', f'folder = "{elsewhere}"'), "x")
    assert survey_folder(station, Path("/somewhere/bench.toml")) == elsewhere.resolve()


@pytest.mark.parametrize(
    ("scan", "index", "rows", "columns"),
    [
        ('["3 mm", "5 mm"]', '["1 mm", "2 mm"]', range(1, 3), range(3, 6)),
        ('["2.6 mm", "5.4 mm"]', None, range(9), range(3, 6)),
        ('["-50 mm", "50 mm"]', '["7.5 mm", "90 mm"]', range(8, 9), range(21)),
        ('["3.1 mm", "3.9 mm"]', None, range(9), range(0)),
    ],
)
def test_excluded_cells_by_their_centres(
    scan: str, index: str | None, rows: range, columns: range
) -> None:
    """A cell is excluded when its centre lies in the zone, borders included."""
    zone = f'[[exclude]]\nname = "nozzle"\nscan = {scan}\n'
    if index is not None:
        zone += f"index = {index}\n"
    station = parse_station(station_text(index=INDEX_ENCODED.format(length=8), exclude=zone), "x")
    found = excluded_cells(station.exclude[0], station.scan_axis, station.index_axis)
    assert [cells.tolist() for cells in found] == [[*rows], [*columns]]


def test_excluded_cells_over_the_seam_of_a_pipe() -> None:
    """A zone that reaches past the end of a turn has the cells at its begin, too."""
    zone = '[[exclude]]\nname = "nozzle"\nscan = ["18 mm", "21 mm"]\n'
    text = station_text(index=INDEX_ENCODED.format(length=8), exclude=zone, scan='mode = "wrapped"')
    station = parse_station(text, "x")
    _, columns = excluded_cells(station.exclude[0], station.scan_axis, station.index_axis)
    assert columns.tolist() == [0, 1, 18, 19]
    before = ExclusionSettings.model_construct(name="nozzle", scan=(-3.0, 0.5))
    assert excluded_cells(before, station.scan_axis, station.index_axis)[1].tolist() == [
        0, 17, 18, 19,
    ]  # fmt: skip


def test_parse_value_where_a_table_should_be() -> None:
    """A value in a table's place is told in the file's own words."""
    text = 'name = "x"\nscan = 3\nsurvey = []\n[device.gauge]\nport = "p"\nprotocol = 1\n'
    assert problems(text) == [
        "'survey' must be a table (got [])",
        "'scan' must be a table (got 3)",
        "'device.gauge.protocol' must be a table (got 1)",
    ]


@pytest.mark.parametrize(
    ("given", "key"),
    [
        ("counts_per_mm = 10", "counts_per_mm"),
        ("zero_count = 5", "zero_count"),
        ('wheel = { diameter = "50 mm", pulses = 1024, edges = 4 }', "wheel"),
    ],
)
def test_axis_that_is_sent_as_a_length_takes_nothing_of_counts(given: str, key: str) -> None:
    """It is refused, as it has no effect that the user may have meant; `zero_at` moves the zero."""
    length = '{is="position", axis="scan", unit="mm"}'
    text = station_text().replace('{is="counts", axis="scan"}', length)
    with pytest.raises(StationError) as caught:
        parse_station(text.replace("counts_per_mm = 10", given), "bench.toml")
    assert f"'scan.{key}' must be left out: 'encoder' sends scan as a length" in str(caught.value)
    assert "zero_at" in str(caught.value)
    moved = text.replace("counts_per_mm = 10", 'zero_at = "3 mm"')
    assert parse_station(moved, "bench.toml").scan.zero_at == 3.0
