"""Lines as bytes, with checksums computed again here."""

from __future__ import annotations

import re

import numpy as np
import pytest

from swathe_simulators.protocol import encode_lines, line_format


def xor(data: bytes) -> int:
    """Return the exclusive or of all bytes, one by one."""
    result = 0
    for byte in data:
        result ^= byte
    return result


def test_encode_all_columns() -> None:
    """A combined line has all its columns in order, and ends with CR LF."""
    form = line_format("combined", clock=True, axes=2, value="time_of_flight")
    columns: list[np.ndarray[tuple[int], np.dtype[np.generic]]] = [
        np.array([123, 2**63 + 5], dtype=np.uint64),
        np.array([-7, 0]),
        np.array([40, 41]),
        np.array([5.14999, 0.0]),
        np.array([81.25, 3.96]),
        np.array(["E", "N"]),
    ]
    lines = encode_lines(form, columns)
    assert [line.split(b"*")[0] for line in lines] == [
        b"C,123,-7,40,5.1500,81.2,E",
        b"C,9223372036854775813,0,41,0.0000,4.0,N",
    ]
    for line in lines:
        body, tail = line.split(b"*")
        assert tail == b"%02X\r\n" % xor(body)


def test_encode_checksum_agrees_with_nmea_example() -> None:
    """The exclusive or is the one of NMEA 0183: the body of a public example gives 28.

    `$GPGLL,5300.97914,N,00259.98174,E,125926,A*28`, a widely printed sentence.
    """
    body = "GPGLL,5300.97914,N,00259.98174,E,125926,A"
    assert encode_lines(body + "%s", [np.array([""])]) == [body.encode() + b"*28\r\n"]


@pytest.mark.parametrize(
    ("kind", "clock", "axes", "value", "pattern"),
    [
        ("encoder", True, 1, None, rb"P,\d+,-?\d+\*[0-9A-F]{2}\r\n"),
        ("encoder", False, 2, None, rb"P,-?\d+,-?\d+\*[0-9A-F]{2}\r\n"),
        ("gauge", False, 0, "thickness", rb"R,\d+\.\d{3},\d+\.\d,[EN]\*[0-9A-F]{2}\r\n"),
        ("gauge", True, 0, "time_of_flight", rb"R,\d+,\d+\.\d{4},\d+\.\d,[EN]\*[0-9A-F]{2}\r\n"),
    ],
)
def test_line_format_shapes(
    kind: str, clock: bool, axes: int, value: str | None, pattern: bytes
) -> None:
    """Each kind has its letter and only its own columns."""
    numbers: list[np.ndarray[tuple[int], np.dtype[np.generic]]] = [
        np.array([17]) for _ in range(axes + clock)
    ]
    if value:
        numbers += [np.array([1.5]), np.array([80.0]), np.array(["E"])]
    (line,) = encode_lines(line_format(kind, clock=clock, axes=axes, value=value), numbers)
    assert re.fullmatch(pattern, line)


def test_encode_nothing_gives_nothing() -> None:
    """No rows give no lines."""
    assert encode_lines("P,%d", [np.zeros(0, dtype=np.int64)]) == []
