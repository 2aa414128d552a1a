"""Every mistake in the settings of lines is told, at once, and in one shape."""

from typing import Any

import pytest

from drivers.strategies import VARIANTS
from swathe_drivers.delimited import DelimitedSettings
from swathe_drivers.errors import SettingsError
from swathe_drivers.settings import read_settings

KEY = "device.gauge.line"
COUNT = {"is": "counts", "axis": "scan"}
IGNORE = {"is": "ignore"}
CLOCK = {"is": "device_time", "unit": "ms"}
TIME = {"is": "time_of_flight", "unit": "us"}
NUMBER = {"is": "sequence"}
STATUS = {"is": "status"}
MARK = {"is": "index_mark", "axis": "scan"}


@pytest.mark.parametrize("table", VARIANTS)
def test_settings_survive_being_written_and_read(table: dict[str, Any]) -> None:
    """Settings dumped by alias, as the journal keeps them, read back the same."""
    settings = read_settings(DelimitedSettings, table, key=KEY)
    dumped = settings.model_dump(mode="json", by_alias=True)
    assert read_settings(DelimitedSettings, dumped, key=KEY) == settings


def test_settings_have_the_usual_defaults() -> None:
    """Only the columns must be given."""
    settings = DelimitedSettings.model_validate({"columns": [COUNT]})
    assert (settings.terminator, settings.separator, settings.max_length) == ("\r\n", ",", 256)
    assert settings.checksum is None
    assert settings.other_lines == "fault"


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            {"columns": [TIME | {"gate": "A"}, TIME | {"gate": "B"}]},
            f"'{KEY}.gate' must be one of 'A', 'B': the gate whose values count",
        ),
        (
            {"columns": [TIME | {"gate": "A"}], "gate": "C"},
            f"'{KEY}.gate' must be one of 'A': the gate whose values count (got 'C')",
        ),
        (
            {"columns": [TIME], "gate": "A"},
            f"'{KEY}.gate' must be left out, as no value has a 'gate' (got 'A')",
        ),
        (
            {"columns": [TIME | {"gate": "A"}, TIME | {"gate": "A"}], "gate": "A"},
            f"'{KEY}.columns' must have one time_of_flight at most (got 2)",
        ),
        (
            {},
            f"'{KEY}.columns' must be given, or a table 'record' for each kind of lines",
        ),
        (
            {"columns": [COUNT | {"bits": 16, "rolls_over_after": 100_000}]},
            (f"'{KEY}.columns[0].rolls_over_after' must not be given with 'bits', which is another"
            " limit (got 100000)"),
        ),
        (
            {"columns": [COUNT], "record": [{"columns": [COUNT]}]},
            f"'{KEY}.columns' must be left out, as each 'record' has its own",
        ),
        (
            {"record": [{"columns": [COUNT]}, {"columns": [TIME]}]},
            (f"'{KEY}.record[1].columns' must differ from record[0] in a 'constant', in a text 'before'"
            " a number, in the number of columns, or in the poll that each 'answers': nothing shows"
            " which of both a line is"),
        ),
        (
            {"record": [{"columns": [COUNT, TIME]}, {"columns": [TIME]}]},
            (f"'{KEY}.record[1]' must have positions as well, as record[0] has readings with positions;"
            " or make the positions in record[0] 'ignore' ('skip' in frames), if other records have"
            " positions: the clock joins them"),
        ),
        (
            {"record": [{"columns": [COUNT]}, {"columns": [COUNT | {"axis": "index"}, IGNORE]}]},
            (f"'{KEY}.record[1]' must have positions of the same axes in the same order as record[0]"
            " has"),
        ),
        (
            {"record": [{"columns": [COUNT]}, {"columns": [TIME, CLOCK]}]},
            (f"'{KEY}.record[1]' must have no device_time, as record[0] has none; all records with"
            " readings or positions have one, or none: make it 'ignore' ('skip' in frames) where others"
            " have none"),
        ),
        (
            {"record": [{"columns": [TIME, CLOCK]}, {"columns": [COUNT]}]},
            (f"'{KEY}.record[1]' must have a device_time, as record[0] has one; all records with"
            " readings or positions have one, or none: make it 'ignore' ('skip' in frames) where others"
            " have none"),
        ),
        (
            {"record": [{"columns": [TIME, CLOCK]}, {"columns": [COUNT, CLOCK | {"bits": 16}, IGNORE]}]},
            f"'{KEY}.record[1]' must have a device_time that starts again when that of record[0] does",
        ),
        (
            {"record": [{"columns": [COUNT]}], "numbers": "shared"},
            (f"'{KEY}.numbers' must be left out, as fewer than two records have a 'sequence'"
            " (got 'shared')"),
        ),
        (
            {"columns": [TIME, STATUS]},
            f"'{KEY}.columns[1].valid' must be given, or 'mask' and 'valid_when'",
        ),
        (
            {"columns": [TIME, STATUS | {"valid": []}]},
            (f"'{KEY}.columns[1].valid' must have at least one text: of a kind of records without a"
            " thickness or a time of flight it may be empty, as all of them are readings without an echo"
            " (got [])"),
        ),
        (
            {"record": [{"columns": [STATUS | {"valid": []}]}, {"columns": [TIME, IGNORE]}]},
            (f"'{KEY}.record[0].columns[0].invalid' must have a text, as 'valid' has none: any other is a"
            " fault (got [])"),
        ),
        (
            {"columns": [TIME, STATUS | {"valid": ["A"], "mask": 1}]},
            (f"'{KEY}.columns[1].mask' must be left out with 'valid' or 'invalid', which are texts"
            " (got 1)"),
        ),
        (
            {"columns": [TIME, STATUS | {"mask": 1}]},
            f"'{KEY}.columns[1].valid_when' must be given with 'mask'",
        ),
        (
            {"columns": [TIME, STATUS | {"mask": 1, "valid_when": 2}]},
            f"'{KEY}.columns[1].valid_when' must have no bit outside 'mask' (got 2)",
        ),
        (
            {"columns": [TIME, STATUS | {"valid": ["A"], "written": "hex"}]},
            f"'{KEY}.columns[1].written' must be left out without 'mask' (got 'hex')",
        ),
        (
            {"columns": [TIME, STATUS | {"valid": ["A"], "valid_when": 1}]},
            f"'{KEY}.columns[1].valid_when' must be left out without 'mask' (got 1)",
        ),
        (
            {"columns": [COUNT, MARK | {"marked": ["Z"]}]},
            f"'{KEY}.columns[1].unmarked' must have a text: any other is a fault",
        ),
        (
            {"columns": [COUNT, MARK | {"marked": ["Z"], "unmarked": ["Z"]}]},
            f"'{KEY}.columns[1].unmarked' must not repeat a text of 'marked' (got ['Z'])",
        ),
        (
            {"columns": [COUNT, MARK | {"marked": ["Z"], "unmarked": ["-"], "mask": 1}]},
            (f"'{KEY}.columns[1].mask' must be left out with 'marked' or 'unmarked', which are texts"
            " (got 1)"),
        ),
        (
            {"columns": [COUNT, MARK | {"written": "hex"}]},
            f"'{KEY}.columns[1].written' must be left out without 'mask' (got 'hex')",
        ),
        (
            {"columns": [COUNT], "numbers": "shared"},
            f"'{KEY}.numbers' must be left out without 'record' (got 'shared')",
        ),
        (
            {"record": [{"columns": [COUNT, NUMBER]}, {"columns": [TIME, NUMBER | {"wrap": 9}, IGNORE]}],
             "numbers": "shared"},
            (f"'{KEY}.numbers' must be 'separate' or left out, as the numbers of two records roll over"
            " at different places (got 'shared')"),
        ),
        (
            {"record": [{"columns": [COUNT, NUMBER | {"period": "1 ms"}]}, {"columns": [TIME, NUMBER, IGNORE]}]},
            (f"'{KEY}.record[0]' must have no 'period', as its numbers show no time: it needs a number in"
            " each record with readings or positions and in no other, and numbers = 'shared' where"
            " several have one"),
        ),
        (
            {"record": [{"columns": [{"is": "channel", "name": "gain"}]}]},
            (f"'{KEY}.record' must have a thickness, a time of flight or counts in one of them"
            " (got 1)"),
        ),
        (
            {"record": [{"columns": [IGNORE]}, {"columns": [IGNORE, IGNORE]}]},
            (f"'{KEY}.record' must have a thickness, a time of flight or counts in one of them"
            " (got 2)"),
        ),
        (
            {"columns": [TIME, {"is": "channel", "name": "amplitude"}]},
            (f"'{KEY}.columns[1].name' must be another name: a survey has a layer that is called so"
            " (got 'amplitude')"),
        ),
        (
            {"columns": [COUNT, {"is": "channel", "name": "gain"}]},
            (f"'{KEY}.columns' must have a time_of_flight or thickness in addition to channel"
            " (got 'channel')"),
        ),
        (
            {"columns": [{"is": "ignore"}]},
            (f"'{KEY}.columns' must have at least one of time_of_flight, thickness, counts and"
            " position (got ['ignore'])"),
        ),
        (
            {"columns": [COUNT, {"is": "amplitude"}]},
            (f"'{KEY}.columns' must have a time_of_flight or thickness in addition to amplitude"
            " (got 'amplitude')"),
        ),
        ({"columns": [TIME, TIME]}, f"'{KEY}.columns' must have one time_of_flight at most (got 2)"),
        (
            {"columns": [COUNT, {"is": "position", "axis": "scan", "unit": "mm"}]},
            f"'{KEY}.columns' must have one column for the axis 'scan' (got 2)",
        ),
        (
            {"columns": [COUNT], "separator": "\n"},
            f"'{KEY}.separator' must not be part of the terminator (got '\\n')",
        ),
        (
            {"columns": [COUNT], "separator": "."},
            f"'{KEY}.separator' must be a character that is not part of a number or word (got '.')",
        ),
        (
            {"columns": [COUNT], "separator": "→"},
            f"'{KEY}.separator' must consist of characters up to U+00FF, one byte each (got '→')",
        ),
        (
            {"columns": [COUNT], "terminator": "12345"},
            f"'{KEY}.terminator' must have at most 4 character(s) (got '12345')",
        ),
        ({"columns": [COUNT], "max_length": 3}, f"'{KEY}.max_length' must be >= 4 (got 3)"),
        (
            {"columns": [COUNT], "checksum": {"kind": "xor", "after": "\r\n"}},
            f"'{KEY}.checksum.after' must not hold the terminator (got '\\r\\n')",
        ),
        (
            {"columns": [COUNT], "checksum": {"kind": "md5", "after": "*"}},
            f"'{KEY}.checksum.kind' must be one of 'xor', 'sum8', 'sum16', 'fletcher16', 'crc' (got 'md5')",
        ),
        (
            {"columns": [COUNT | {"bits": 53}]},
            f"'{KEY}.columns[0].bits' must be <= 52 (got 53)",
        ),
        (
            {"columns": [COUNT | {"unit": "mm"}]},
            f"'{KEY}.columns[0].unit' must be left out: there is no such setting (got 'mm')",
        ),
        ({"columns": [{"axis": "scan"}]}, f"'{KEY}.columns[0].is' must be given"),
        ({"columns": [{"is": "device_time"}]}, f"'{KEY}.columns[0].unit' must be given"),
        (
            {"columns": [TIME | {"min": 5, "max": 4}]},
            f"'{KEY}.columns[0].max' must be > 'min', which is 5.0 (got 4.0)",
        ),
        (
            {"columns": [TIME | {"no_echo": [1.0, ""]}]},
            f"'{KEY}.columns[0].no_echo[1]' must not be empty; use empty = 'no_echo' (got '')",
        ),
        (
            {"columns": [TIME, {"is": "constant", "text": ""}]},
            f"'{KEY}.columns[1].text' must not be empty; use 'ignore' (got '')",
        ),
        (
            {"columns": [TIME, {"is": "constant", "text": " R"}]},
            f"'{KEY}.columns[1].text' must not begin or end with a space, which does not count: blank is \"\" (got ' R')",
        ),
        (
            {"columns": [TIME, {"is": "status", "valid": ["a,b"]}]},
            f"'{KEY}.columns[1].valid[0]' must not hold the separator (got 'a,b')",
        ),
        (
            {"columns": [TIME, {"is": "status", "valid": ["€"]}]},
            (f"'{KEY}.columns[1].valid[0]' must consist of characters up to U+00FF, one byte each"
            " (got '€')"),
        ),
        (
            {"columns": [TIME, {"is": "status", "valid": ["a"], "invalid": ["a"]}]},
            f"'{KEY}.columns[1].invalid' must not repeat a text of 'valid' (got ['a'])",
        ),
    ],
)  # fmt: skip
def test_settings_with_mistake_say_key_requirement_and_value(
    table: dict[str, Any], message: str
) -> None:
    """One mistake gives one message, with the path as it stands in the file."""
    with pytest.raises(SettingsError) as caught:
        read_settings(DelimitedSettings, table, key=KEY)
    assert str(caught.value) == message


def test_settings_with_unknown_column_list_the_known_ones() -> None:
    """A misspelt kind of column is answered with the list."""
    with pytest.raises(SettingsError) as caught:
        read_settings(DelimitedSettings, {"columns": [{"is": "count"}]}, key=KEY)
    assert caught.value.key == f"{KEY}.columns[0].is"
    assert caught.value.value == "count"
    assert "'time_of_flight'" in caught.value.requirement


def test_settings_with_many_mistakes_tell_all_at_once() -> None:
    """Nobody has to start the program once per mistake."""
    table = {
        "separator": "\n",
        "columns": [
            {"is": "status", "valid": ["b"], "invalid": ["b"]},
            {"is": "status", "valid": ["c"]},
            {"is": "counts", "axis": "scan"},
            {"is": "position", "axis": "scan", "unit": "mm", "min": 2, "max": 1},
        ],
    }
    with pytest.raises(SettingsError) as caught:
        read_settings(DelimitedSettings, table, key=KEY)
    problems = [caught.value, *caught.value.others]
    assert [problem.key for problem in problems] == [
        f"{KEY}.columns",
        f"{KEY}.columns",
        f"{KEY}.columns",
        f"{KEY}.separator",
        f"{KEY}.columns[0].invalid",
        f"{KEY}.columns[3].max",
    ]
