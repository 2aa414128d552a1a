"""A second reader of delimited lines, one line and one column at a time.

Written from the description of the settings; it shares no code with the decoder.
"""

import math
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

DIGITS = "0123456789"
TIME = {"ns": Fraction(1, 1000), "us": Fraction(1), "ms": Fraction(1000), "s": Fraction(10**6)}
LENGTH = {"mm": Fraction(1), "in": Fraction(254, 10), "thou": Fraction(254, 10000)}


@dataclass
class Outcome:
    """What became of one line: a fault's reason, `ignored`, or the columns of a record."""

    fault: str | None = None
    record: dict[str, Any] = field(default_factory=dict)


class _FaultError(Exception):
    pass


def _number(text: str) -> Fraction:
    """A decimal number, read character by character."""
    if (
        text.lstrip("+-").lower() in ("nan", "inf", "infinity")
        and len(text.lstrip("+-")) >= len(text) - 1
    ):
        raise _FaultError("not_finite")
    rest, sign = text, 1
    if rest[:1] in ("+", "-"):
        sign = -1 if rest[0] == "-" else 1
        rest = rest[1:]
    mantissa, mark, exponent = rest, "", "0"
    for char in "eE":
        if char in rest:
            mantissa, mark, exponent = rest.partition(char)
            break
    whole, _, part = mantissa.partition(".")
    power = exponent[1:] if exponent[:1] in ("+", "-") else exponent
    if not (whole + part) or any(char not in DIGITS for char in whole + part):
        raise _FaultError("number")
    if (mark and not power) or any(char not in DIGITS for char in power):
        raise _FaultError("number")
    value = Fraction(int(whole + part), 10 ** len(part)) * sign
    if value and int(exponent) > 400:
        raise _FaultError("not_finite")
    value = Fraction(0) if int(exponent) < -400 else value * Fraction(10) ** int(exponent)
    if abs(value) > Fraction(1.7976931348623157e308):
        raise _FaultError("not_finite")
    return value


def _integer(text: str) -> int:
    if any(char in text for char in ".eE"):
        raise _FaultError("number")
    return int(_number(text))


def _column(column: dict[str, Any], text: str, record: dict[str, Any]) -> None:
    kind = column["is"]
    if kind == "device_time":
        value = round(_number(text) * TIME[column["unit"]] * 1000)
        if abs(value) >= 2**63:
            raise _FaultError("out_of_range")
        if "bits" in column and not 0 <= value < 2 ** column["bits"] * TIME[column["unit"]] * 1000:
            raise _FaultError("out_of_range")
        record["device_time"] = value
    elif kind in ("time_of_flight", "thickness"):
        absent = (text == "" and column.get("empty") == "no_echo") or text in [
            entry for entry in column.get("no_echo", []) if isinstance(entry, str)
        ]
        number = None if absent else float(_number(text))
        if number is not None and abs(number) > 1e30:
            raise _FaultError("out_of_range")
        if number in [e for e in column.get("no_echo", []) if not isinstance(e, str)]:
            number = None
        if number is None:
            record["valid"] = False
        record[kind] = number
    elif kind == "amplitude":
        number = None
        if text or column.get("empty") != "absent":
            number = float(_number(text))
            if abs(number) > 1e30:
                raise _FaultError("out_of_range")
        record[kind] = number
    elif kind == "status":
        if text in column["invalid"]:
            record["valid"] = False
        elif text not in column["valid"]:
            raise _FaultError("status")
    elif kind == "counts":
        count = _integer(text)
        if "bits" in column:
            low, high = 0, 2 ** column["bits"] - 1
            if column.get("signed"):
                low, high = -(2 ** (column["bits"] - 1)), 2 ** (column["bits"] - 1) - 1
        else:
            low, high = -(2**53), 2**53
        if not low <= count <= high:
            raise _FaultError("out_of_range")
        record[column["axis"]] = float(count)
    elif kind == "position":
        number = float(_number(text))
        if abs(number) > 1e30:
            raise _FaultError("out_of_range")
        record[column["axis"]] = number
    elif kind == "sequence":
        number = _integer(text)
        if not 0 <= number < column.get("wrap", 2**63):
            raise _FaultError("out_of_range")
        record["sequence"] = number


def _limits(columns: list[dict[str, Any]], record: dict[str, Any]) -> None:
    for column in columns:
        name = column.get("axis", column["is"])
        if name not in record or column["is"] in ("counts", "sequence", "device_time"):
            continue
        value = record[name]
        if value is None or (column["is"] != "position" and not record["valid"]):
            continue
        if not column.get("min", -math.inf) <= value <= column.get("max", math.inf):
            raise _FaultError("out_of_range")


def _in_our_units(columns: list[dict[str, Any]], record: dict[str, Any]) -> None:
    for column in columns:
        name = column.get("axis", column["is"])
        value = record.get(name)
        if column["is"] == "time_of_flight":
            factor = TIME[column["unit"]]
        elif column["is"] in ("thickness", "position"):
            factor = LENGTH[column["unit"]]
        elif column["is"] == "amplitude":
            factor = Fraction(100 if column.get("unit") == "fraction" else 1)
        else:
            continue
        if value is None or (
            column["is"] in ("time_of_flight", "thickness") and not record["valid"]
        ):
            record[name] = math.nan
        else:
            record[name] = float(Fraction(value) * factor)


def read_line(settings: dict[str, Any], line: bytes) -> Outcome:
    """What must become of a line (without its terminator)."""
    text = line.decode("latin-1")
    separator = settings.get("separator", ",")
    spaces = "".join(char for char in " \t" if char != separator)
    columns = settings["columns"]
    checksum = settings.get("checksum")
    other = "ignored" if settings.get("other_lines") == "ignore" else "unknown_line"
    if len(line) > settings.get("max_length", 256):
        return Outcome("too_long")
    if columns[0]["is"] == "constant":
        first = text.split(separator)[0]
        if checksum and separator not in text and checksum["after"] in text:
            first = text[: text.rindex(checksum["after"])]
        if first.strip(spaces) != columns[0]["text"]:
            return Outcome(other)
    if checksum:
        tail = text[-2:]
        body = (
            text[: -2 - len(checksum["after"])] if len(text) >= 2 + len(checksum["after"]) else ""
        )
        hexadecimal = "0123456789abcdefABCDEF"
        if (
            text != body + checksum["after"] + tail
            or len(tail) != 2
            or any(char not in hexadecimal for char in tail)
            or len(body) < checksum.get("from", 0)
        ):
            return Outcome("checksum")
        total = 0
        for char in body[checksum.get("from", 0) :]:
            total = total ^ ord(char) if checksum["kind"] == "xor" else (total + ord(char)) % 256
        if int(tail, 16) != total:
            return Outcome("checksum")
        text = body
    parts = [part.strip(spaces) for part in text.split(separator)]
    for column, part in zip(columns, parts, strict=False):
        if column["is"] == "constant" and part != column["text"]:
            return Outcome(other)
    if len(parts) != len(columns):
        return Outcome("columns")
    record: dict[str, Any] = {"valid": True}
    try:
        for column, part in zip(columns, parts, strict=True):
            _column(column, part, record)
        _limits(columns, record)
    except _FaultError as fault:
        return Outcome(str(fault))
    _in_our_units(columns, record)
    return Outcome(record=record)
