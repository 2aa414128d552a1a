"""Tables of a station file as text."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.draft import KeyDraft, TableDraft, station_file_text

VALUES = (
    st.text(st.characters(codec="utf-8"), max_size=60)
    | st.text("\x7f\x9b\x1b\u202e\U0001f600", max_size=9)
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.booleans()
    | st.tuples(st.text("ab\"\\'#=[]", max_size=9), st.text(max_size=3))
)


@given(VALUES, st.text('ab #"=', max_size=120))
def test_a_value_is_read_as_it_was_given(value: object, comment: str) -> None:
    """Whatever the value and the comment behind it, TOML reads the value."""
    table = TableDraft("scan", (KeyDraft("length", value, comment.strip()),), "of the part")
    text = station_file_text([table])
    assert text.replace("\n", "").isprintable()
    read = tomllib.loads(text)["scan"]["length"]
    assert read == (list(value) if isinstance(value, tuple) else value)


def test_a_list_of_tables_is_written_line_by_line() -> None:
    """Columns are read one below the other."""
    columns = ({"is": "counts", "axis": "scan"}, {"is": "thickness", "unit": "mm"})
    table = TableDraft("device.gauge.protocol", (KeyDraft("columns", columns, "of a line"),))
    text = station_file_text([table])
    assert text == (
        "[device.gauge.protocol]\n"
        "columns = [                         # of a line\n"
        '  { is = "counts", axis = "scan" },\n'
        '  { is = "thickness", unit = "mm" },\n'
        "]\n"
    )
    assert tomllib.loads(text)["device"]["gauge"]["protocol"]["columns"] == list(columns)


def test_a_key_that_is_off_is_a_comment() -> None:
    """It is shown with its meaning, and the file does not have it."""
    tables = [
        TableDraft(
            "", (KeyDraft("name", "belt", "of the station"),), "A file.\nA second paragraph."
        ),
        TableDraft("survey", (KeyDraft("alert_below", "8 mm", "an alarm", off=True),)),
        TableDraft("exclude", (KeyDraft("name", "lug"),), repeated=True),
    ]
    text = station_file_text(tables)
    assert text == (
        "# A file.\n# A second paragraph.\n\n"
        'name = "belt"                       # of the station\n\n'
        "[survey]\n"
        '# alert_below = "8 mm"              # an alarm\n\n'
        "[[exclude]]\n"
        'name = "lug"\n'
    )
    assert tomllib.loads(text) == {"name": "belt", "survey": {}, "exclude": [{"name": "lug"}]}


@pytest.mark.parametrize("long", ["value", "comment"])
def test_no_comment_runs_off_the_line(long: str) -> None:
    """Where value and comment have no room in one line, the comment is ahead of it."""
    value = "x" * (70 if long == "value" else 5)
    comment = "y " * (60 if long == "comment" else 20)
    text = station_file_text([TableDraft("survey", (KeyDraft("part", value, comment.strip()),))])
    assert max(map(len, text.splitlines())) <= 98
    assert tomllib.loads(text) == {"survey": {"part": value}}
