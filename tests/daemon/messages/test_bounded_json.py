"""JSON from outside: what is parsed, and what is refused before it costs anything."""

from __future__ import annotations

import json
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.messages.bounded_json import UnboundedJsonError, parse_json

TEXTS = st.text(st.characters(codec="utf-8"))
LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS
)
JSON = st.recursive(
    LEAVES, lambda inner: st.lists(inner) | st.dictionaries(TEXTS, inner), max_leaves=20
)


@given(JSON, st.booleans())
def test_parse_equals_the_standard_librarys(value: object, ascii_only: bool) -> None:
    """Within the bounds the value is that of Python's own parser."""
    data = json.dumps(value, ensure_ascii=ascii_only).encode()
    assert parse_json(data, limit=1 << 20, controls=True) == value


@given(st.binary(max_size=300))
def test_any_bytes_are_parsed_or_refused(data: bytes) -> None:
    """No input raises another error."""
    try:
        parse_json(data, limit=1 << 20)
    except UnboundedJsonError:
        return
    json.loads(data)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"[" * 4096, "nests"),
        (b'{"a":' * 33 + b"1" + b"}" * 33, "nests"),
        (b'"[[' + b"[" * 100, "no JSON"),
        (b"1" * 41, "characters"),
        (b"-1." + b"0" * 60, "characters"),
        (b"1e999", "out of range"),
        (b"NaN", "no number"),
        (b"[-Infinity]", "no number"),
        (b'{"a":1,"a":2}', "twice"),
        (b'{"a":1,"\\u0061":2}', "twice"),
        (b'"\\ud800"', "surrogate"),
        (b'{"\\udfff":1}', "surrogate"),
        (b'["\\u001b[31m"]', "control"),
        (b'"\x7f"', "control"),
        ("\u202e".join('""').encode(), "control"),
        (b'"\x1b"', "no JSON"),
        (b"\xff", "UTF-8"),
        (b"\xef\xbb\xbf1", "no JSON"),
        ("1".encode("utf-16"), "UTF-8"),
        (b"1 2", "no JSON"),
        (b"", "no JSON"),
        (b" " * 5000, "5000 bytes"),
    ],
)
def test_out_of_bounds_is_refused_with_the_reason(data: bytes, reason: str) -> None:
    """The reason has no part of the text, which may be anything."""
    with pytest.raises(UnboundedJsonError, match=reason):
        parse_json(data, limit=4096)


def test_bounds_themselves_are_accepted() -> None:
    """32 levels, 40 digits, and brackets within a text, which do not nest."""
    assert parse_json(b"[" * 32 + b"]" * 32, limit=64)
    assert parse_json(b"9" * 40, limit=40) == 10**40 - 1
    text = b'"' + b'[{\\"' * 500 + b'"'
    assert parse_json(text, limit=4096) == '[{"' * 500
    assert parse_json(b'"\\u001b"', limit=10, controls=True) == "\x1b"


@pytest.mark.parametrize("part", [b'"', b'\\"', b'"\\', b"[", b'["', b"{}", b'"a\\u0020"'])
def test_time_is_proportional_to_the_length(part: bytes) -> None:
    """A megabyte of what makes a pattern go back again and again is refused in passing."""
    data = part * ((1 << 20) // len(part))
    begun = time.process_time()
    with pytest.raises(UnboundedJsonError):
        parse_json(data, limit=1 << 20)
    assert time.process_time() - begun < 20
