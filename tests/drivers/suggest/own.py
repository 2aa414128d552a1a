"""Invented devices with which the guessing was written; the ten others were not looked at then."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.suggest.streams import Chunks, as_chunks, to_and_fro, wall, xor_of


@dataclass(frozen=True)
class Device:
    """An invented device: its bytes, and what is to be found in them.

    Attributes:
        name: of the device.
        chunks: what a port received.
        protocol: settings that must be found, by key; `columns` as (is, unit or axis or text).
    """

    name: str
    chunks: Callable[[], Chunks]
    protocol: dict[str, Any]


def _gauge() -> Chunks:
    source = random.Random(1)
    thickness = wall(source, 14.0)
    lines = []
    for number in range(400):
        time = number / 50 + source.uniform(0, 0.001)
        echo = source.random() > 0.06
        flight = thickness(time) / 2.96 + 0.4 if echo else 0.0
        amplitude = min(100, max(5, source.gauss(70, 8))) if echo else source.uniform(1, 9)
        body = b"R,%d,%d,%.3f,%.1f,%s" % (
            number,
            round(time * 1e6 * 1.00002) + 812345,
            flight,
            amplitude,
            b"E" if echo else b"N",
        )
        lines.append((time, body + b"*%02X\r\n" % xor_of(body)))
    return as_chunks(lines, source)


def _labelled() -> Chunks:
    source = random.Random(2)
    thickness = wall(source, 9.5)
    lines = []
    for number in range(120):
        time = number / 6
        value = b"%6.2f" % thickness(time) if source.random() > 0.1 else b"---.--"
        lines.append((time, value + b";mm;%3d\n" % round(source.gauss(60, 12))))
    return as_chunks(lines, source)


def _encoder() -> Chunks:
    source = random.Random(3)
    lines = []
    for number in range(900):
        time = number / 100
        scan = 20000 - round(12.5 * to_and_fro(time, length=300, seconds=6))
        index = 400 + round(40 * 8 * (time // 3))
        body = b"P,%d,%d,%d" % (round(time * 1e3) + 77, scan, index)
        lines.append((time, body + b"#%02x\n" % (sum(body[1:]) & 255)))
    return as_chunks(lines, source)


def _mixed() -> Chunks:
    source = random.Random(4)
    thickness = wall(source, 22.0)
    lines = []
    for number in range(600):
        time = number / 60
        if number % 3:
            lines.append(
                (time, b"ENC\t%+07d\r" % round(19.2 * to_and_fro(time, length=200, seconds=5)))
            )
        else:
            lines.append(
                (time, b"THK\t%.2f\t%.2f\r" % (thickness(time), min(1.1, source.gauss(0.6, 0.1))))
            )
    return as_chunks(lines, source)


def _bare() -> Chunks:
    source = random.Random(5)
    thickness = wall(source, 0.551)
    return as_chunks(((n / 4, b"%.3f\r\n" % thickness(n / 4)) for n in range(100)), source)


def _words_first() -> Chunks:
    source = random.Random(6)
    thickness = wall(source, 17.0)
    lines = []
    for number in range(200):
        good = source.random() > 0.09
        value = thickness(number / 10) if good else 99.99
        lines.append((number / 10, b"%s;%.2f\r\n" % (b"ECHO" if good else b"LOST", value)))
    return as_chunks(lines, source)


def _setting() -> Chunks:
    source = random.Random(7)
    thickness = wall(source, 0.4)
    return as_chunks(
        ((n / 12, b"38.0,%.3f,5920\n" % thickness(n / 12)) for n in range(200)), source
    )


def _nanoseconds() -> Chunks:
    source = random.Random(8)
    thickness = wall(source, 12.0)
    lines = []
    for number in range(500):
        flight = round(1e3 * thickness(number / 100) / 2.96)
        lines.append((number / 100, b"Q %d %.0f\r\n" % (flight, source.gauss(50, 5))))
    return as_chunks(lines, source)


def _barely_counted() -> Chunks:
    source = random.Random(9)
    lines = []
    for number in range(600):
        time = number / 60
        lines.append((time, b"%d|" % round(40 * to_and_fro(time, length=100, seconds=5))))
    return as_chunks(lines, source)


def _drifting() -> Chunks:
    source = random.Random(10)
    thickness = wall(source, 8.0)
    lines = []
    for number in range(300):
        line = b"<|%.2f|%.2f|>\r\n" % (20.15 + 0.0005 * number, thickness(number / 15))
        lines.append((number / 15, line))
    return as_chunks(lines, source)


OWN: tuple[Device, ...] = (
    Device(
        "gauge",
        _gauge,
        {
            "terminator": "\r\n",
            "separator": ",",
            "checksum": ("xor", "*", 0),
            "columns": [
                ("constant", "R"),
                ("sequence", None),
                ("device_time", "us"),
                ("time_of_flight", "us"),
                ("amplitude", "%"),
                ("status", None),
            ],
        },
    ),
    Device(
        "labelled",
        _labelled,
        {
            "terminator": "\n",
            "separator": ";",
            "checksum": None,
            "columns": [("thickness", "mm"), ("ignore", None), ("amplitude", "%")],
        },
    ),
    Device(
        "encoder",
        _encoder,
        {
            "terminator": "\n",
            "separator": ",",
            "checksum": ("sum8", "#", 1),
            "columns": [
                ("constant", "P"),
                ("device_time", "ms"),
                ("counts", "scan"),
                ("counts", "index"),
            ],
        },
    ),
    Device(
        "mixed",
        _mixed,
        {
            "terminator": "\r",
            "separator": "\t",
            "checksum": None,
            "columns": [("constant", "THK"), ("thickness", "mm"), ("amplitude", "fraction")],
        },
    ),
    Device(
        "bare",
        _bare,
        {
            "terminator": "\r\n",
            "separator": None,
            "checksum": None,
            "columns": [("thickness", "in")],
        },
    ),
    Device(
        "words first",
        _words_first,
        {
            "terminator": "\r\n",
            "separator": ";",
            "checksum": None,
            "columns": [("status", None), ("thickness", "mm")],
            "valid": ["ECHO"],
            "invalid": ["LOST"],
        },
    ),
    Device(
        "setting",
        _setting,
        {
            "terminator": "\n",
            "separator": ",",
            "checksum": None,
            "columns": [("ignore", None), ("thickness", "in"), ("ignore", None)],
        },
    ),
    Device(
        "nanoseconds",
        _nanoseconds,
        {
            "terminator": "\r\n",
            "separator": " ",
            "checksum": None,
            "columns": [("constant", "Q"), ("time_of_flight", "ns"), ("amplitude", "%")],
        },
    ),
    Device(
        "barely counted",
        _barely_counted,
        {
            "terminator": "|",
            "separator": None,
            "checksum": None,
            "columns": [("counts", "scan")],
        },
    ),
    Device(
        "drifting",
        _drifting,
        {
            "terminator": "\r\n",
            "separator": "|",
            "checksum": None,
            "columns": [("constant", "<"), ("ignore", None), ("thickness", "mm"), ("ignore", None)],
        },
    ),
)
