"""Ten invented devices that were not looked at while the guessing was written."""

from __future__ import annotations

import random

from drivers.suggest.own import Device
from drivers.suggest.streams import Chunks, as_chunks, to_and_fro, wall, xor_of


def _tube_gauge() -> Chunks:
    """Semicolons, value before amplitude, sum behind a bang, no echo as 999.99."""
    source = random.Random(101)
    thickness = wall(source, 6.3)
    lines = []
    for number in range(300):
        time = number / 30
        echo = source.random() > 0.08
        value = thickness(time) if echo else 999.99
        amplitude = source.gauss(55, 9) if echo else source.uniform(0, 5)
        body = b"T;%05.2f;%03d;%05d" % (value, max(0, round(amplitude)), number)
        lines.append((time, body + b"!%02X\r" % (sum(body) & 255)))
    return as_chunks(lines, source)


def _crawler_box() -> Chunks:
    """Two signed counts and a clock in ms behind them; a tab between; nothing constant."""
    source = random.Random(102)
    lines = []
    for number in range(1200):
        time = number / 120
        x = round(20 * (to_and_fro(time, length=400, seconds=7) - 200))
        y = round(33.3 * to_and_fro(time, length=60, seconds=19))
        lines.append((time, b"%+07d\t%+07d\t%d\r\n" % (x, y, 5000 + round(time * 1000))))
    return as_chunks(lines, source)


def _sentence() -> Chunks:
    """A sentence with a dollar sign that is not summed up, time of flight in ns, two labels."""
    source = random.Random(103)
    thickness = wall(source, 18.0)
    lines = []
    for number in range(260):
        time = number / 20
        flight = round(1000 * thickness(time) / 2.95)
        body = b"PXUTG,%08.3f,%d,NS,%.1f,A" % (time + 3600.5, flight, source.gauss(82, 5))
        lines.append((time, b"$" + body + b"*%02X\r\n" % xor_of(body)))
    return as_chunks(lines, source)


def _both_in_one() -> Chunks:
    """Position and reading in one line: wrapped 16-bit counts, clock in µs, status last."""
    source = random.Random(104)
    thickness = wall(source, 11.0)
    lines = []
    for number in range(900):
        time = number / 90
        echo = source.random() > 0.05
        counts = (64000 + round(40 * to_and_fro(time, length=200, seconds=8))) % 65536
        flight = thickness(time) / 2.96 if echo else 0.0
        status = b"V" if echo else b"L"
        stamp = round(time * 1e6) + 4_000_000_000
        lines.append((time, b"%d %d %.4f %s\n" % (stamp % 2**32, counts, flight, status)))
    return as_chunks(lines, source)


def _slow_display() -> Chunks:
    """A hand gauge that sends what it shows, padded with spaces, in inches, a line without echo."""
    source = random.Random(105)
    thickness = wall(source, 0.375)
    lines = []
    for number in range(90):
        time = number / 4
        value = b"%8.3f" % thickness(time) if source.random() > 0.12 else b"    -.---"[:8]
        lines.append((time, value + b" , IN\r\n"))
    return as_chunks(lines, source)


def _interleaved() -> Chunks:
    """Encoder and reading lines on one wire, both with a sum; the reading has a clock in ms."""
    source = random.Random(106)
    thickness = wall(source, 30.0)
    lines = []
    for number in range(1000):
        time = number / 100
        if number % 4 == 3:
            body = b"U|%d|%.2f|%.0f" % (round(time * 1e3), thickness(time), source.gauss(64, 7))
        else:
            body = b"X|%d|%d" % (
                round(time * 1e3),
                round(-25 * to_and_fro(time, length=150, seconds=6)),
            )
        lines.append((time, body + b"/%02x\r\n" % (sum(body) & 255)))
    return as_chunks(lines, source)


def _framed() -> Chunks:
    """Control characters around each line, comma, thickness and time of flight both."""
    source = random.Random(107)
    thickness = wall(source, 16.0)
    lines = []
    for number in range(400):
        time = number / 40
        value = thickness(time)
        lines.append(
            (
                time,
                b"\x02%d,%.2f,%.3f,%.0f\x03"
                % (number % 256, value, value / 2.96 + 0.31, source.gauss(70, 6)),
            )
        )
    return as_chunks(lines, source)


def _string_pot() -> Chunks:
    """A position in mm with a sign, and a word for its state."""
    source = random.Random(108)
    lines = []
    for number in range(500):
        time = number / 50
        place = to_and_fro(time, length=850, seconds=9) - 120
        lines.append((time, b"POS=,%+08.2f,mm,OK\r\n" % place))
    return as_chunks(lines, source)


def _empty_columns() -> Chunks:
    """Without an echo the columns stay empty; a temperature behind; an amplitude of full scale 1."""
    source = random.Random(109)
    thickness = wall(source, 8.2)
    lines = []
    for number in range(350):
        time = number / 25
        temperature = 21.4 + 0.02 * time
        if source.random() > 0.07:
            body = b"%d,%.2f,%.3f,%.1f" % (
                number,
                thickness(time),
                min(1.1, source.gauss(0.7, 0.08)),
                temperature,
            )
        else:
            body = b"%d,,,%.1f" % (number, temperature)
        lines.append((time, body + b"\n"))
    return as_chunks(lines, source)


def _phased_out() -> Chunks:
    """Status first, then a clock in s with decimals, counts, and time of flight; a hash ends."""
    source = random.Random(110)
    thickness = wall(source, 25.0)
    lines = []
    for number in range(700):
        time = number / 70
        echo = source.random() > 0.06
        flight = thickness(time) / 2.96 if echo else 0.0
        counts = round(16 * to_and_fro(time, length=300, seconds=11)) + 1000
        status = b"HIT" if echo else b"LOST"
        lines.append((time, b"%s,%.4f,%d,%.3f#" % (status, time + 12.0, counts, flight)))
    return as_chunks(lines, source)


HELD_OUT: tuple[Device, ...] = (
    Device(
        "tube gauge",
        _tube_gauge,
        {
            "terminator": "\r",
            "separator": ";",
            "checksum": ("sum8", "!", 0),
            "columns": [
                ("constant", "T"),
                ("thickness", "mm"),
                ("amplitude", "%"),
                ("sequence", None),
            ],
        },
    ),
    Device(
        "crawler box",
        _crawler_box,
        {
            "terminator": "\r\n",
            "separator": "\t",
            "checksum": None,
            "columns": [("counts", "scan"), ("counts", "index"), ("device_time", "ms")],
        },
    ),
    Device(
        "sentence",
        _sentence,
        {
            "terminator": "\r\n",
            "separator": ",",
            "checksum": ("xor", "*", 1),
            "columns": [
                ("constant", "$PXUTG"),
                ("device_time", "s"),
                ("time_of_flight", "ns"),
                ("ignore", None),
                ("amplitude", "%"),
                ("status", None),
            ],
        },
    ),
    Device(
        "both in one",
        _both_in_one,
        {
            "terminator": "\n",
            "separator": " ",
            "checksum": None,
            "columns": [
                ("device_time", "us"),
                ("counts", "scan"),
                ("time_of_flight", "us"),
                ("status", None),
            ],
            "valid": ["V"],
            "invalid": ["L"],
        },
    ),
    Device(
        "slow display",
        _slow_display,
        {
            "terminator": "\r\n",
            "separator": ",",
            "checksum": None,
            "columns": [("thickness", "in"), ("ignore", None)],
        },
    ),
    Device(
        "interleaved",
        _interleaved,
        {
            "terminator": "\r\n",
            "separator": "|",
            "checksum": ("sum8", "/", 0),
            "columns": [
                ("constant", "U"),
                ("device_time", "ms"),
                ("thickness", "mm"),
                ("amplitude", "%"),
            ],
        },
    ),
    Device(
        "framed",
        _framed,
        {
            "terminator": "\x03\x02",
            "separator": ",",
            "checksum": None,
            "columns": [
                ("sequence", 256),
                ("thickness", "mm"),
                ("time_of_flight", "us"),
                ("amplitude", "%"),
            ],
        },
    ),
    Device(
        "string pot",
        _string_pot,
        {
            "terminator": "\r\n",
            "separator": ",",
            "checksum": None,
            "columns": [
                ("constant", "POS="),
                ("position", "scan"),
                ("ignore", None),
                ("ignore", None),
            ],
        },
    ),
    Device(
        "empty columns",
        _empty_columns,
        {
            "terminator": "\n",
            "separator": ",",
            "checksum": None,
            "columns": [
                ("sequence", None),
                ("thickness", "mm"),
                ("amplitude", "fraction"),
                ("ignore", None),
            ],
        },
    ),
    Device(
        "hash ends",
        _phased_out,
        {
            "terminator": "#",
            "separator": ",",
            "checksum": None,
            "columns": [
                ("status", None),
                ("device_time", "s"),
                ("counts", "scan"),
                ("time_of_flight", "us"),
            ],
            "valid": ["HIT"],
            "invalid": ["LOST"],
        },
    ),
)
