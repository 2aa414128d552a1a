"""Devices thrown together by a random number: as many as one likes that nobody has looked at.

The unit of an unlabelled value follows the custom that the guessing relies on, too: two decimals
for mm, three for µs, three or four for inches below 1.3. The bytes can't tell it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from drivers.suggest.own import Device
from drivers.suggest.streams import Chunks, as_chunks, to_and_fro, wall, xor_of

Column = Callable[[int, float, bool], bytes]
Told = tuple[str, object]

_WORDS = [("E", "N"), ("OK", "LOS"), ("V", "I"), ("1", "0"), ("GOOD", "BAD"), ("LOCK", "HUNT")]
_LEADS = ["R", "UT", "THK", "$DATA", "M1", "@", "#A"]


def throw(seed: int) -> Device:
    """A device of its own for each seed."""
    source = random.Random(seed)
    rate = source.choice([8, 15, 30, 60, 100])
    count = max(150, int(rate * source.uniform(6, 12)))
    separator = source.choice([",", ";", "\t", "|", " "])
    terminator = source.choice(["\r\n", "\n", "\r", "\n\r"])
    lead = source.choice(_LEADS) if source.random() < 0.6 else None
    groups = [_value(source)]
    extras: list[list[tuple[Column, Told]]] = [
        _sequence(source),
        _clock(source),
        _counts(source, count / rate),
        _amplitude(source),
        _setting(source),
        _temperature(source),
    ]
    groups += [extra for extra in extras if source.random() < 0.45]
    words = source.choice(_WORDS) if source.random() < 0.4 else None
    if words is not None:
        groups.append([(_status(words), ("status", None))])
    source.shuffle(groups)
    columns = [column for group in groups for column in group]
    if lead is not None:
        columns.insert(0, (lambda _n, _t, _g: lead.encode(), ("constant", lead)))
    checksum = None
    if source.random() < 0.5:
        kind = source.choice(["xor", "sum8"])
        marker = source.choice([mark for mark in "*#!~" if mark != (lead or " ")[0]])
        checksum = (kind, marker, int(lead is not None and source.random() < 0.4))
    losses = source.choice([0.0, 0.06, 0.1])

    def chunks() -> Chunks:
        return _sent(seed, columns, rate, count, separator, terminator, checksum, losses)

    protocol: dict[str, Any] = {
        "terminator": terminator,
        "separator": separator if len(columns) > 1 else None,
        "checksum": checksum,
        "columns": [told for _, told in columns],
    }
    if words is not None and losses:
        protocol |= {"valid": [words[0]], "invalid": [words[1]]}
    return Device(f"thrown {seed}", chunks, protocol)


def _sent(
    seed: int,
    columns: list[tuple[Column, Told]],
    rate: float,
    count: int,
    separator: str,
    terminator: str,
    checksum: tuple[str, str, int] | None,
    losses: float,
) -> Chunks:
    source = random.Random(seed + 1)
    lines = []
    for number in range(count):
        time = number / rate + source.uniform(0, 0.001)
        good = source.random() >= losses
        body = separator.encode().join(column(number, time, good) for column, _ in columns)
        if checksum is not None:
            kind, marker, first = checksum
            total = xor_of(body[first:]) if kind == "xor" else sum(body[first:]) & 255
            body += marker.encode() + b"%02X" % total
        lines.append((time, body + terminator.encode()))
    return as_chunks(lines, source)


def _value(source: random.Random) -> list[tuple[Column, Told]]:
    form, told, nominal = source.choice(
        [
            ("%.2f", ("thickness", "mm"), source.uniform(4, 60)),
            ("%.3f", ("time_of_flight", "us"), source.uniform(2, 20)),
            ("%.3f", ("thickness", "in"), source.uniform(0.2, 0.9)),
            ("%6.2f", ("thickness", "mm"), source.uniform(4, 60)),
            ("%d", ("time_of_flight", "ns"), source.uniform(2500, 20000)),
        ]
    )
    at = wall(source, nominal)
    nothing = source.choice(["%d" if form == "%d" else form.replace("6", ""), "---", ""])
    missing = (nothing % 0 if "%" in nothing else nothing).encode()
    found: list[tuple[Column, Told]] = [
        (lambda _n, t, good: (form % at(t)).encode() if good else missing, told)
    ]
    if told[1] in ("mm", "in") and source.random() < 0.3:
        label = str(told[1]).encode()
        found.append((lambda _n, _t, _g: label, ("ignore", None)))
    return found


def _sequence(source: random.Random) -> list[tuple[Column, Told]]:
    wrap = source.choice([None, 100, 128])
    return [
        (lambda n, _t, _g: b"%d" % (n if wrap is None else n % wrap), ("sequence", wrap)),
    ]


def _clock(source: random.Random) -> list[tuple[Column, Told]]:
    unit, scale, form = source.choice(
        [("us", 1e6, b"%d"), ("ms", 1e3, b"%d"), ("s", 1.0, b"%.4f"), ("ms", 1e3, b"%010d")]
    )
    drift = 1 + source.uniform(-5e-5, 5e-5)
    start = source.uniform(1, 1000)

    def at(_n: int, time: float, _g: bool) -> bytes:
        value = scale * (start + time * drift)
        return form % (value if unit == "s" else round(value))

    return [(at, ("device_time", unit))]


def _counts(source: random.Random, duration: float) -> list[tuple[Column, Told]]:
    per_mm = source.choice([8, 20, 26.07, -12.5])
    base = source.choice([0, 20_000, -4000])
    seconds = source.uniform(0.4, 1.5) * duration
    length = source.uniform(150, 600)
    form = source.choice([b"%d", b"%+07d"])
    return [
        (
            lambda _n, t, _g: (
                form % (base + round(per_mm * to_and_fro(t, length=length, seconds=seconds)))
            ),
            ("counts", "scan"),
        )
    ]


def _amplitude(source: random.Random) -> list[tuple[Column, Told]]:
    form, top, unit = source.choice(
        [("%.0f", 70, "%"), ("%.1f", 60, "%"), ("%.2f", 0.7, "fraction")]
    )
    noise = random.Random(source.random())
    return [
        (
            lambda _n, _t, good: (form % (noise.gauss(top, 0.08 * top) if good else 0)).encode(),
            ("amplitude", unit),
        )
    ]


def _setting(source: random.Random) -> list[tuple[Column, Told]]:
    text = source.choice([b"5920", b"42.0", b"3240"])
    return [(lambda _n, _t, _g: text, ("ignore", None))]


def _temperature(source: random.Random) -> list[tuple[Column, Told]]:
    base = source.uniform(15, 30)
    return [(lambda _n, t, _g: b"%.1f" % (base + 0.02 * t), ("ignore", None))]


def _status(words: tuple[str, str]) -> Column:
    return lambda _n, _t, good: words[0 if good else 1].encode()
