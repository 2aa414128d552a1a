"""Ten more invented devices, made after the mistakes that the first ten brought to light."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

from drivers.suggest.own import Device
from drivers.suggest.streams import as_chunks, to_and_fro, wall, xor_of

Line = tuple[float, bytes]


def _pulse_echo(source: random.Random) -> Iterator[Line]:
    """Amplitude first, then time of flight; clock of 32 bits in µs that rolls over; xor, colon."""
    thickness = wall(source, 7.1)
    for number in range(800):
        time = number / 80
        flight = thickness(time) / 2.95 + 0.2
        stamp = (4_290_000_000 + round(time * 1e6)) % 2**32
        body = b"%.0f,%.3f,%d" % (source.gauss(76, 6), flight, stamp)
        yield time, body + b":%02X\r\n" % xor_of(body)


def _crawler_axes(source: random.Random) -> Iterator[Line]:
    """A word, a running number modulo 256, three signed counts between slashes, a clock in ms."""
    for number in range(1000):
        time = number / 100 + source.uniform(0, 0.002)
        x = round(11.4 * to_and_fro(time, length=500, seconds=9)) - 3000
        y = round(25 * to_and_fro(time, length=80, seconds=13))
        yield time, b"AX;%03d;%d;%d;%d\n" % (number % 256, x, y, round(time * 1e3))


def _dry_gauge(source: random.Random) -> Iterator[Line]:
    """Thickness in mm with a plus sign and a word beside it; minus one without an echo."""
    thickness = wall(source, 12.7)
    for number in range(160):
        time = number / 8
        good = source.random() > 0.1
        yield (
            time,
            b"%s\t%+.2f\r" % (b"GOOD" if good else b"LOS", thickness(time) if good else -1.0),
        )


def _inch_line(source: random.Random) -> Iterator[Line]:
    """Inches with four decimals, gain in dB that never changes, sum behind a tilde."""
    thickness = wall(source, 0.625)
    for number in range(240):
        time = number / 16
        body = b"W %.4f 42.5" % thickness(time)
        yield time, body + b"~%02X\n" % (sum(body) & 255)


def _belt_and_braces(source: random.Random) -> Iterator[Line]:
    """Everything in one line, padded with spaces: number, clock in s, counts, thickness, status."""
    thickness = wall(source, 19.0)
    for number in range(600):
        time = number / 60
        good = source.random() > 0.07
        counts = round(8 * to_and_fro(time, length=900, seconds=10))
        value = thickness(time) if good else 0.0
        yield (
            time,
            b"%6d, %10.3f, %7d, %6.2f, %s\r\n"
            % (number, time, counts, value, b"OK" if good else b"NE"),
        )


def _start_of_text(source: random.Random) -> Iterator[Line]:
    """Between control characters; thickness and amplitude with an empty value without an echo."""
    thickness = wall(source, 5.5)
    for number in range(300):
        time = number / 20
        if source.random() > 0.08:
            yield time, b"\x02G|%.2f|%.0f\x03\r" % (thickness(time), source.gauss(66, 8))
        else:
            yield time, b"\x02G||0\x03\r"


def _two_talkers(source: random.Random) -> Iterator[Line]:
    """A position in mm and a time of flight in ns, each in lines of its own."""
    thickness = wall(source, 10.0)
    for number in range(900):
        time = number / 90
        if number % 2:
            yield time, b"PO,%.1f\r\n" % (to_and_fro(time, length=640, seconds=7) - 20)
        else:
            yield (
                time,
                b"TF,%d,%.1f\r\n" % (round(1e3 * thickness(time) / 2.96), source.gauss(58, 7)),
            )


def _nested_sum(source: random.Random) -> Iterator[Line]:
    """A greater-than sign that is not summed up, counts that roll over at 24 bits, status of a digit."""
    thickness = wall(source, 9.0)
    for number in range(700):
        time = number / 70
        good = source.random() > 0.06
        counts = (16_776_000 + round(30 * to_and_fro(time, length=260, seconds=8))) % 2**24
        body = b"M,%d,%.2f,%d" % (counts, thickness(time) if good else 0.0, good)
        yield time, b">" + body + b"*%02x\r\n" % (sum(body) & 255)


def _stamp_last(source: random.Random) -> Iterator[Line]:
    """Thickness, time of flight, amplitude as a fraction, clock in ms at the end."""
    thickness = wall(source, 13.2)
    for number in range(500):
        time = number / 50
        value = thickness(time)
        yield (
            time,
            b"%.3f;%.3f;%.2f;%d\n"
            % (
                value,
                value / 2.96 + 0.25,
                min(1.05, source.gauss(0.74, 0.07)),
                91_000 + round(time * 1e3),
            ),
        )


def _lonely_counter(source: random.Random) -> Iterator[Line]:
    """One count a line, zero-padded, ended by a semicolon."""
    for number in range(900):
        time = number / 90 + source.uniform(0, 0.001)
        yield time, b"%08d;" % (500_000 + round(19.7 * to_and_fro(time, length=420, seconds=6)))


def device(
    seed: int, name: str, lines: Callable[[random.Random], Iterator[Line]], **protocol: Any
) -> Device:
    """A device whose lines `lines` gives, and the settings that must be found."""

    def chunks() -> list[tuple[int, bytes]]:
        source = random.Random(seed)
        return as_chunks(lines(source), source)

    return Device(name, chunks, {"separator": ",", "checksum": None, **protocol})


HELD_OUT_AGAIN: tuple[Device, ...] = (
    device(
        201,
        "pulse echo",
        _pulse_echo,
        terminator="\r\n",
        checksum=("xor", ":", 0),
        columns=[("amplitude", "%"), ("time_of_flight", "us"), ("device_time", "us")],
    ),
    device(
        202,
        "crawler axes",
        _crawler_axes,
        terminator="\n",
        separator=";",
        columns=[
            ("constant", "AX"),
            ("sequence", 256),
            ("counts", "scan"),
            ("counts", "index"),
            ("device_time", "ms"),
        ],
    ),
    device(
        203,
        "dry gauge",
        _dry_gauge,
        terminator="\r",
        separator="\t",
        columns=[("status", None), ("thickness", "mm")],
        valid=["GOOD"],
        invalid=["LOS"],
    ),
    device(
        204,
        "inch line",
        _inch_line,
        terminator="\n",
        separator=" ",
        checksum=("sum8", "~", 0),
        columns=[("constant", "W"), ("thickness", "in"), ("ignore", None)],
    ),
    device(
        205,
        "belt and braces",
        _belt_and_braces,
        terminator="\r\n",
        columns=[
            ("sequence", None),
            ("device_time", "s"),
            ("counts", "scan"),
            ("thickness", "mm"),
            ("status", None),
        ],
        valid=["OK"],
        invalid=["NE"],
    ),
    device(
        206,
        "start of text",
        _start_of_text,
        terminator="\x03\r\x02",
        separator="|",
        columns=[("constant", "G"), ("thickness", "mm"), ("amplitude", "%")],
    ),
    device(
        207,
        "two talkers",
        _two_talkers,
        terminator="\r\n",
        columns=[("constant", "TF"), ("time_of_flight", "ns"), ("amplitude", "%")],
    ),
    device(
        208,
        "nested sum",
        _nested_sum,
        terminator="\r\n",
        checksum=("sum8", "*", 1),
        columns=[
            ("constant", ">M"),
            ("counts", "scan"),
            ("thickness", "mm"),
            ("status", None),
        ],
        valid=["1"],
        invalid=["0"],
    ),
    device(
        209,
        "stamp last",
        _stamp_last,
        terminator="\n",
        separator=";",
        columns=[
            ("thickness", "mm"),
            ("time_of_flight", "us"),
            ("amplitude", "fraction"),
            ("device_time", "ms"),
        ],
    ),
    device(
        210,
        "lonely counter",
        _lonely_counter,
        terminator=";",
        separator=None,
        columns=[("counts", "scan")],
    ),
)
