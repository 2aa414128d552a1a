"""Ten invented devices that no line of the guessing was written or changed for."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

from drivers.suggest.held_out_again import Line, device
from drivers.suggest.own import Device
from drivers.suggest.streams import to_and_fro, wall, xor_of


def _bench(source: random.Random) -> Iterator[Line]:
    """Status, amplitude, thickness, running number modulo 100; a sum behind a comma."""
    thickness = wall(source, 4.8)
    for number in range(350):
        time = number / 18
        good = source.random() > 0.1
        body = b"%s,%03.0f,%07.3f,%02d" % (
            b"A" if good else b"X",
            source.gauss(80, 5) if good else 0,
            thickness(time) / 25.4 * 10 if good else 999.999,
            number % 100,
        )
        yield time, body + b",%02X\r\n" % (sum(body) & 255)


def _stepper(source: random.Random) -> Iterator[Line]:
    """Two axes in mm with signs, one after the other in a serpentine, between spaces."""
    for number in range(1500):
        time = number / 100
        row = int(time / 3)
        along = abs(((time / 3) % 2) - 1) * 240
        yield time, b"@ %+.3f %+.3f %d\n" % (along, row * 8.0, number)
        source.random()


def _microseconds(source: random.Random) -> Iterator[Line]:
    """Clock in µs with leading zeros, time of flight labelled in µs, amplitude labelled in percent."""
    thickness = wall(source, 21.0)
    for number in range(400):
        time = number / 40 + source.uniform(0, 0.003)
        yield (
            time,
            b"%012d;%.2f;us;%.1f;%%\r"
            % (round(time * 1e6) + 1234567, thickness(time) / 2.96, source.gauss(60, 6)),
        )


def _modest(source: random.Random) -> Iterator[Line]:
    """Thickness and a battery that runs down; xor behind a hash, small letters."""
    thickness = wall(source, 10.4)
    for number in range(220):
        time = number / 11
        body = b"TK=|%.2f|%.2f" % (thickness(time), 3.71 - 0.0002 * number)
        yield time, body + b"#%02x\n" % xor_of(body)


def _wheel_and_gauge(source: random.Random) -> Iterator[Line]:
    """16 bits signed that roll over, thickness with an empty place without echo."""
    thickness = wall(source, 15.5)
    for number in range(900):
        time = number / 75
        counts = round(50 * to_and_fro(time, length=300, seconds=11)) + 25_000
        counts = (counts + 32768) % 65536 - 32768
        value = b"%.2f" % thickness(time) if source.random() > 0.05 else b""
        yield time, b"%d\t%s\r\n" % (counts, value)


def _talkative(source: random.Random) -> Iterator[Line]:
    """Three kinds of line: readings, counts, and a word of health every now and then."""
    thickness = wall(source, 8.8)
    for number in range(1200):
        time = number / 100
        if number % 25 == 7:
            yield time, b"HB,OK,24.1\r\n"
        elif number % 5 == 0:
            yield (
                time,
                b"UT,%d,%.3f,%.0f\r\n"
                % (round(time * 1e3), thickness(time) / 2.95, source.gauss(71, 8)),
            )
        else:
            yield (
                time,
                b"EN,%d,%d\r\n"
                % (round(time * 1e3), round(22 * to_and_fro(time, length=350, seconds=8))),
            )


def _quiet(source: random.Random) -> Iterator[Line]:
    """Six thickness readings a second around one place, a star before and one behind."""
    for number in range(150):
        time = number / 6
        value = 6.02 + 0.01 * math.sin(time / 4) + source.gauss(0, 0.008)
        yield time, b"*,%.2f,MM,*\r\n" % value


def _fast_clock(source: random.Random) -> Iterator[Line]:
    """A clock in ns in front of a status, counts and time of flight; NUL ends."""
    thickness = wall(source, 13.0)
    for number in range(1500):
        time = number / 150
        good = source.random() > 0.05
        yield (
            time,
            b"%d/%s/%d/%.4f\x00"
            % (
                round(time * 1e9) + 77_000_000_000,
                b"LOCK" if good else b"FREE",
                9000 - round(33 * to_and_fro(time, length=90, seconds=4)),
                thickness(time) / 2.96 if good else 0.0,
            ),
        )


def _dashes(source: random.Random) -> Iterator[Line]:
    """Inches with dashes for no echo, percent behind; line feed before carriage return."""
    thickness = wall(source, 0.48)
    for number in range(200):
        time = number / 10
        good = source.random() > 0.1
        value = b"%.4f" % thickness(time) if good else b"-----"
        yield time, b"N%04d:%s:%2.0f\n\r" % (number, value, source.gauss(62, 7) if good else 3)


def _amplified(source: random.Random) -> Iterator[Line]:
    """Time of flight in ns and amplitude in tenths of percent, gain in front, sum from byte 2 on."""
    thickness = wall(source, 28.0)
    for number in range(300):
        time = number / 20
        body = b"32.0,%d,%.1f,%d" % (
            round(1e3 * thickness(time) / 2.95),
            source.gauss(57, 6),
            number + 1,
        )
        yield time, b"::" + body + b"=%02X\r\n" % (sum(body) & 255)


HELD_OUT_LAST: tuple[Device, ...] = (
    device(
        301,
        "bench",
        _bench,
        terminator="\r\n",
        checksum=("sum8", ",", 0),
        columns=[("status", None), ("amplitude", "%"), ("time_of_flight", "us"), ("sequence", 100)],
        valid=["A"],
        invalid=["X"],
    ),
    device(
        302,
        "stepper",
        _stepper,
        terminator="\n",
        separator=" ",
        columns=[
            ("constant", "@"),
            ("position", "scan"),
            ("position", "index"),
            ("sequence", None),
        ],
    ),
    device(
        303,
        "microseconds",
        _microseconds,
        terminator="\r",
        separator=";",
        columns=[
            ("device_time", "us"),
            ("time_of_flight", "us"),
            ("ignore", None),
            ("amplitude", "%"),
            ("ignore", None),
        ],
    ),
    device(
        304,
        "modest",
        _modest,
        terminator="\n",
        separator="|",
        checksum=("xor", "#", 0),
        columns=[("constant", "TK="), ("thickness", "mm"), ("ignore", None)],
    ),
    device(
        305,
        "wheel and gauge",
        _wheel_and_gauge,
        terminator="\r\n",
        separator="\t",
        columns=[("counts", "scan"), ("thickness", "mm")],
    ),
    device(
        306,
        "talkative",
        _talkative,
        terminator="\r\n",
        columns=[
            ("constant", "UT"),
            ("device_time", "ms"),
            ("time_of_flight", "us"),
            ("amplitude", "%"),
        ],
    ),
    device(
        307,
        "quiet",
        _quiet,
        terminator="\r\n",
        columns=[("constant", "*"), ("thickness", "mm"), ("ignore", None), ("ignore", None)],
    ),
    device(
        308,
        "fast clock",
        _fast_clock,
        terminator="\x00",
        separator="/",
        columns=[
            ("device_time", "ns"),
            ("status", None),
            ("counts", "scan"),
            ("time_of_flight", "us"),
        ],
        valid=["LOCK"],
        invalid=["FREE"],
    ),
    device(
        309,
        "dashes",
        _dashes,
        # What stands fast to a number goes with the end of the line.
        terminator="\n\rN",
        separator=":",
        columns=[("sequence", None), ("thickness", "in"), ("amplitude", "%")],
    ),
    device(
        310,
        "amplified",
        _amplified,
        terminator="\r\n::",
        checksum=("sum8", "=", 0),
        columns=[
            ("ignore", None),
            ("time_of_flight", "ns"),
            ("amplitude", "%"),
            ("sequence", None),
        ],
    ),
)
