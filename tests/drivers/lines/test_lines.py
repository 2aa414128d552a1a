"""Fixed columns and patterns: the places, the words, and what is wrong with a line."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.feeding import total
from swathe_drivers.errors import SettingsError
from swathe_drivers.lines import (
    FixedColumnsDriver,
    FixedColumnsSettings,
    PatternDriver,
    PatternSettings,
)
from swathe_drivers.records import Batch, FaultReason
from swathe_drivers.settings import read_settings

FIXED: dict[str, Any] = {
    "terminator": "\n",
    "columns": {
        "1": {"is": "constant", "text": "T"},
        "3-8": {"is": "thickness", "unit": "mm", "no_echo": ["------"]},
        "10-15": {"is": "counts", "axis": "scan"},
    },
}
PATTERN: dict[str, Any] = {
    "terminator": "\n",
    "pattern": r"(?P<kind>\w)=(?P<t>[^ ]*)( x(?P<x>-?\d+))?",
    "columns": {
        "kind": {"is": "constant", "text": "T"},
        "t": {"is": "thickness", "unit": "mm", "empty": "no_echo"},
        "x": {"is": "counts", "axis": "scan"},
    },
}


def fixed(data: bytes, **changes: Any) -> Batch:
    """Decode lines with fixed columns."""
    settings = read_settings(FixedColumnsSettings, FIXED | changes, key="protocol")
    return FixedColumnsDriver(settings).decoder(ns_per_byte=0).feed(data, 0)


def pattern(data: bytes, **changes: Any) -> Batch:
    """Decode lines by a pattern."""
    settings = read_settings(PatternSettings, PATTERN | changes, key="protocol")
    return PatternDriver(settings).decoder(ns_per_byte=0).feed(data, 0)


def test_fixed_columns_need_no_separator() -> None:
    """Texts may touch each other, have spaces around them, and end early in the last column."""
    found = fixed(b"T  12.50 000017\nT!0012.5?   -4 trailing\nT ------     9\n")
    assert not found.n_faults, found.faults
    assert found.readings["thickness"].tolist()[:2] == [12.5, 12.5]
    assert math.isnan(found.readings["thickness"][2])
    assert found.readings["valid"].tolist() == [True, True, False]
    assert found.positions["counts"][:, 0].tolist() == [17, -4, 9]


@pytest.mark.parametrize(
    ("line", "reason", "detail"),
    [
        (b"T  12.50", FaultReason.COLUMNS, "8 characters where there should be 10 at least"),
        (b"X  12.50 000017", FaultReason.UNKNOWN_LINE, "characters 1 (constant): 'X' is not 'T'"),
        (b"T  12,50 000017", FaultReason.NUMBER, "characters 3-8 (thickness): '12,50' is not a decimal number"),
        (b"T  12.50       ", FaultReason.NUMBER, "characters 10-15 (counts scan): '' is not a"),
    ],
)  # fmt: skip
def test_fixed_columns_fault_names_the_place(line: bytes, reason: FaultReason, detail: str) -> None:
    """As the description has it."""
    (fault,) = fixed(line + b"\n").faults
    assert (fault.reason, fault.excerpt) == (reason, line)
    assert fault.detail.startswith(detail), fault.detail


def test_pattern_takes_named_groups() -> None:
    """A group that takes no part is an empty column."""
    found = pattern(b"T=12.5 x-7\nT= x8\n")
    assert not found.n_faults
    assert found.readings["thickness"][0] == 12.5
    assert found.readings["valid"].tolist() == [True, False]
    assert found.positions["counts"][:, 0].tolist() == [-7, 8]
    (fault,) = pattern(b"T=12.5\n").faults
    assert (fault.reason, fault.detail[:25]) == (FaultReason.NUMBER, "group 'x' (counts scan): ")


def test_pattern_must_fit_the_whole_line() -> None:
    """A line that does not is of another kind: a fault, or ignored if the settings say so."""
    (fault,) = pattern(b"T=12.5 x-7 \n").faults
    assert (fault.reason, fault.detail) == (
        FaultReason.UNKNOWN_LINE,
        "the line does not fit the pattern",
    )
    ignored = pattern(b"hello\nT=1 x2\nX=1 x2\n", other_lines="ignore")
    assert (ignored.n_ignored, ignored.ignored_bytes, ignored.readings.size) == (2, 13, 1)


@pytest.mark.parametrize(
    ("model", "table", "told"),
    [
        (FixedColumnsSettings, {"columns": {"0-3": {"is": "counts", "axis": "scan"}}},
         "'protocol.columns' must have keys such as '1-6' or '8', which '0-3' is not"),
        (FixedColumnsSettings, {"columns": {"7-3": {"is": "counts", "axis": "scan"}}},
         "'protocol.columns' must have keys such as '1-6' or '8', which '7-3' is not"),
        (FixedColumnsSettings, {"columns": {"1-300": {"is": "counts", "axis": "scan"}}},
         "'protocol.columns.1-300' must end within 'max_length', which is 256 (got '1-300')"),
        (FixedColumnsSettings, {"columns": {"1-3": {"is": "counts", "axis": "S"}}},
         "'protocol.columns.1-3.axis' must match"),
        (FixedColumnsSettings, {"columns": {"1-3": {"is": "ignore"}}},
         "'protocol.columns' must have at least one of time_of_flight"),
        (PatternSettings, PATTERN | {"pattern": "("}, "'protocol.pattern' must be a regular expression: missing )"),
        (PatternSettings, PATTERN | {"pattern": "(?P<kind>.)(?P<t>.)"},
         "'protocol.columns.x' must be the name of a group of the pattern"),
        (PatternSettings, PATTERN | {"pattern": "(?P<kind>.)(?P<t>.)(?P<x>.)(?P<y>.)"},
         "'protocol.pattern' must have a column for each group"),
        (PatternSettings, PATTERN | {"pattern": "€(?P<kind>.)"}, "'protocol.pattern' must consist of characters"),
    ],
)  # fmt: skip
def test_settings_with_mistake_name_the_key(model: Any, table: dict[str, Any], told: str) -> None:
    """The place or group is part of it."""
    with pytest.raises(SettingsError) as caught:
        read_settings(model, table, key="protocol")
    assert str(caught.value).startswith(told), str(caught.value)


@given(st.lists(st.binary(max_size=40), max_size=8), st.sampled_from([fixed, pattern]))
def test_any_bytes_give_only_records_and_faults(pieces: list[bytes], decode: Any) -> None:
    """Each line is one of the two, and all bytes are accounted for."""
    data = b"".join(piece + b"\n" for piece in pieces)
    found = total([decode(data)])
    assert found.bytes == len(data)
    lines = sum(bool(line) for line in data.split(b"\n"))
    assert found.readings.size + found.n_faults.total() == lines
