"""JSON from outside, parsed within bounds: size, depth, numbers, names and text."""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

__all__ = ["UnboundedJsonError", "parse_json"]

_DEPTH = 32
_DIGITS = 40
# Strings, each to its end or that of the text; what is left has the brackets that nest.
_STRINGS = re.compile(rb'"(?:[^"\\]++|\\.)*+(?:"|\Z|\\\Z)', re.DOTALL)
_OTHERS = re.compile(rb"[^\[\]{}]++")
_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


class UnboundedJsonError(ValueError):
    """A text is no JSON within the bounds; the message gives the reason and no part of the text."""


def parse_json(data: bytes, *, limit: int, controls: bool = False) -> Any:  # noqa: ANN401  any JSON
    """Return the value of a JSON text in UTF-8 (RFC 8259).

    The bounds are checked before anything is built: a nesting deeper than 32, a number of more than
    40 characters or out of range, ``NaN``, a name that occurs twice in an object and a lone surrogate
    are refused, as RFC 8259 lets a parser do and RFC 7493 (I-JSON) requires of names, numbers and
    surrogates.

    Args:
        data: the text.
        limit: of its length in bytes.
        controls: whether strings may hold control characters and marks of writing direction; who
            prints them must escape them.

    Raises:
        UnboundedJsonError: it is not such a text.
    """
    if len(data) > limit:
        _refuse(f"it has {len(data)} bytes: at most {limit}")
    _check_depth(data)
    try:
        text = data.decode()
        value = json.loads(
            text,
            object_pairs_hook=_object,
            parse_int=_integer,
            parse_float=_number,
            parse_constant=_constant,
        )
    except UnboundedJsonError:
        raise
    except UnicodeDecodeError:
        _refuse("it is not UTF-8")
    except ValueError:
        _refuse("it is no JSON")
    if b"\\u" in data or not data.isascii() or b"\\" in data:
        _check_texts(value, controls=controls)
    elif not controls and b"\x7f" in data:
        _refuse("a text has control characters")
    return value


def _refuse(reason: str) -> NoReturn:
    raise UnboundedJsonError(reason)


def _check_depth(data: bytes) -> None:
    depth = 0
    for bracket in _OTHERS.sub(b"", _STRINGS.sub(b"", data)):
        depth += 1 if bracket in b"[{" else -1
        if depth > _DEPTH:
            _refuse(f"it nests deeper than {_DEPTH}")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    built = dict(pairs)
    if len(built) < len(pairs):
        _refuse("a name occurs twice in an object")
    return built


def _integer(digits: str) -> int:
    if len(digits) > _DIGITS:
        _refuse(f"a number has more than {_DIGITS} characters")
    return int(digits)


def _number(digits: str) -> float:
    if len(digits) > _DIGITS or not math.isfinite(number := float(digits)):
        _refuse(f"a number has more than {_DIGITS} characters, or is out of range")
    return number


def _constant(name: str) -> NoReturn:
    _refuse(f"{name} is no number of JSON")


def _check_texts(value: Any, *, controls: bool) -> None:  # noqa: ANN401  any JSON
    """Check names and strings; the depth is bounded already."""
    if isinstance(value, str):
        if not value.isascii() and any("\ud800" <= one <= "\udfff" for one in value):
            _refuse("a text has a lone surrogate")
        if not controls and _CONTROLS.search(value):
            _refuse("a text has control characters")
    elif isinstance(value, dict):
        for name, part in value.items():
            _check_texts(name, controls=controls)
            _check_texts(part, controls=controls)
    elif isinstance(value, list):
        for part in value:
            _check_texts(part, controls=controls)
