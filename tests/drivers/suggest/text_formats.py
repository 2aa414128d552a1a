"""Twelve text formats as manuals have them, with which the search was written."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np

from drivers.suggest.scans import Format, Made, scan


def _crc(data: bytes, poly: int, init: int) -> int:
    state = init
    for byte in data:
        state ^= byte << 8
        for _ in range(8):
            state = (state << 1) ^ poly if state & 0x8000 else state << 1
        state &= 0xFFFF
    return state


def comma() -> Format:
    """Decimal comma, semicolons, millimetres, position in mm."""
    s = scan(1, nominal=14.0)
    lines = []
    for n, t in enumerate(s.times):
        value = "---,--" if np.isnan(s.thickness[n]) else f"{s.thickness[n]:.2f}".replace(".", ",")
        place = f"{s.positions[n]:+.1f}".replace(".", ",")
        lines.append((t, f"{n % 1000:03d};{value};{s.amplitude[n]:.0f};{place}\r\n".encode()))
    return Format(
        "comma",
        lines,
        s.thickness,
        np.round(s.positions, 1),
        counts=False,
        shows=(f"{s.thickness[-1]:.2f} mm", f"position={s.positions[-1]:.1f} mm"),
    )


def bcc() -> Format:
    """STX, hundredths with leading zeros, ETX, BCC as a raw byte over all behind STX."""
    s = scan(2, nominal=8.0, length=90)
    counts = np.round(s.positions * 40).astype(int)
    lines = []
    for n, t in enumerate(s.times):
        value = 99999 if np.isnan(s.thickness[n]) else round(s.thickness[n] * 100)
        body = f"\x02T{value:05d};P{counts[n]:+07d}\x03".encode()
        lines.append((t, body + bytes([reduce(xor, body[1:])])))
    return Format(
        "bcc", lines, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


def fixed() -> Format:
    """Columns without separators, thousandths of a mm, a state letter, an unsigned counter of 5 digits that rolls over."""
    s = scan(3, nominal=9.0, length=260)
    counts = np.round(s.positions * 100).astype(int) + 95000
    lines = []
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        value = 0 if lost else round(s.thickness[n] * 1000)
        body = f"{value:06d}{'E' if lost else 'A'}{counts[n] % 100000:05d}{s.amplitude[n]:03.0f}"
        lines.append((t, body.encode() + b"\r\n"))
    return Format(
        "fixed",
        lines,
        s.thickness,
        counts.astype(float),
        rounding=0.0011,
        shows=(f"{s.thickness[-1]:.3f} mm",),
    )


def inches() -> Format:
    """Inches with the unit behind, tagged fields, spaces, hexadecimal two's complement sum."""
    s = scan(4, nominal=11.0)
    counts = np.round(s.positions * 15.7).astype(int)
    lines = []
    for n, t in enumerate(s.times):
        value = "-.---- in" if np.isnan(s.thickness[n]) else f"{s.thickness[n] / 25.4:.4f} in"
        body = f"D={value},E={counts[n]},A={s.amplitude[n]:.0f}%".encode()
        lines.append((t, body + b"*%02X\r\n" % (-sum(body) & 255)))
    return Format(
        "inches",
        lines,
        s.thickness,
        counts.astype(float),
        rounding=0.003,
        shows=(f"{s.thickness[-1] / 25.4:.4f} in",),
    )


def hexadecimal() -> Format:
    """Hexadecimal fields, thickness in 1/100 mm with FFFF for no echo, a count of 16 bits that goes below zero, CRC."""
    s = scan(5, nominal=12.0, start=-40)
    counts = np.round(s.positions * 50).astype(int)
    lines = []
    for n, t in enumerate(s.times):
        value = 0xFFFF if np.isnan(s.thickness[n]) else round(s.thickness[n] * 100)
        body = f":{n & 255:02X} {value:04X} {counts[n] & 0xFFFF:04X}".encode()
        lines.append((t, body + b" %04X\r" % _crc(body, 0x1021, 0xFFFF)))
    return Format(
        "hexadecimal",
        lines,
        s.thickness,
        counts.astype(float),
        shows=(f"{s.thickness[-1]:.2f} mm",),
    )


def prose() -> Format:
    """Words and numbers, padded by spaces."""
    s = scan(6, nominal=20.0, rate=25)
    lines = []
    for n, t in enumerate(s.times):
        value = "  ----" if np.isnan(s.thickness[n]) else f"{s.thickness[n]:6.2f}"
        lines.append((t, f"WALL {value} mm AT {s.positions[n]:7.1f} mm\r\n".encode()))
    return Format(
        "prose",
        lines,
        s.thickness,
        np.round(s.positions, 1),
        counts=False,
        shows=(f"{s.thickness[-1]:.2f} mm", f"position={s.positions[-1]:.1f} mm"),
    )


def clocked() -> Format:
    """Time of day, a sign behind the count, micrometres, a status word."""
    s = scan(7, nominal=6.0, start=-60)
    counts = np.round(s.positions * 20).astype(int)
    lines = []
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        value = 0 if lost else round(s.thickness[n] * 1000)
        at = 47_000 + t
        clock = f"{int(at // 3600):02d}:{int(at // 60) % 60:02d}:{at % 60:06.3f}"
        count = f"{abs(counts[n]):06d}{'-' if counts[n] < 0 else '+'}"
        lines.append((t, f"{clock}\t{count}\t{value}\t{'LOS' if lost else 'OK'}\n".encode()))
    return Format(
        "clocked",
        lines,
        s.thickness,
        counts.astype(float),
        rounding=0.0011,
        shows=(f"{s.thickness[-1]:.3f} mm",),
    )


def held() -> Format:
    """The last value is repeated without an echo; a flag shows it; a decimal sum behind a comma."""
    s = scan(8, nominal=15.0)
    counts = np.round(s.positions * 80).astype(int)
    lines, last = [], 15.0
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        last = last if lost else float(s.thickness[n])
        body = f"{n % 10000},{last:.2f},{int(lost)},{counts[n]}".encode()
        lines.append((t, body + b",%03d\r\n" % (sum(body) & 255)))
    return Format(
        "held", lines, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


def two_kinds() -> Format:
    """A battery line in between, a running number, NMEA-like."""
    s = scan(9, nominal=10.0, rate=20)
    lines = []
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        body = f"PXTHK,{n % 100:02d},{'' if lost else f'{s.thickness[n]:.2f}'},M,{'V' if lost else 'A'}"
        lines.append((t, f"${body}*{reduce(xor, body.encode()):02X}\r\n".encode()))
        if n % 20 == 7:
            body = f"PXBAT,{87 - n // 100},{s.temperature[n]:.1f},C"
            lines.append((t + 0.003, f"${body}*{reduce(xor, body.encode()):02X}\r\n".encode()))
    return Format("two kinds", lines, s.thickness, shows=(f"{s.thickness[-1]:.2f} mm",))


def octal() -> Format:
    """An octal counter of an encoder box, line by line."""
    s = scan(10, rate=100, length=120)
    counts = np.round(s.positions * 30).astype(int) + 32000
    lines = [(t, f"Q {counts[n]:06o}\r\n".encode()) for n, t in enumerate(s.times)]
    return Format("octal", lines, None, counts.astype(float))


def thousandths() -> Format:
    """Thousandths of an inch as whole numbers, position in thousandths as well."""
    s = scan(11, nominal=16.0)
    lines = []
    place = np.round(s.positions / 0.0254).astype(int)
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        value = -1 if lost else round(s.thickness[n] / 0.0254)
        lines.append((t, f"{place[n]:7d} {value:5d} {s.amplitude[n]:5.1f}\r\n".encode()))
    return Format(
        "thousandths",
        lines,
        s.thickness,
        place.astype(float),
        rounding=0.014,
        shows=(f"{round(s.thickness[-1] / 0.0254)} thou",),
    )


def ascii_hex_lrc() -> Format:
    """A colon, hexadecimal digits of bytes, the LRC of those bytes."""
    s = scan(12, nominal=7.0, start=-20)
    counts = np.round(s.positions * 64).astype(int)
    lines = []
    for n, t in enumerate(s.times):
        value = 0 if np.isnan(s.thickness[n]) else round(s.thickness[n] * 100)
        body = (
            bytes([1, n & 255])
            + value.to_bytes(2, "big")
            + (int(counts[n]) & 0xFFFFFF).to_bytes(3, "big")
        )
        lines.append((t, b":" + body.hex().upper().encode() + b"%02X\r\n" % (-sum(body) & 255)))
    return Format(
        "ascii hex", lines, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


TEXT_FORMATS: tuple[Made, ...] = (
    *(comma, bcc, fixed, inches, hexadecimal, prose, clocked, held, two_kinds, octal, thousandths),
    ascii_hex_lrc,
)
