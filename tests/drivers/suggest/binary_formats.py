"""Twelve binary formats as manuals have them, with which the search was written."""

from __future__ import annotations

import binascii
import struct
import zlib
from functools import reduce
from operator import xor

import numpy as np

from drivers.suggest.scans import Format, Made, scan


def _reflected(data: bytes, poly: int, init: int, width: int) -> int:
    state = init
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = (state >> 1) ^ poly if state & 1 else state >> 1
    return state & ((1 << width) - 1)


def _crc8(data: bytes, poly: int, init: int = 0) -> int:
    state = init
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = ((state << 1) ^ poly) & 255 if state & 0x80 else (state << 1) & 255
    return state


def little_crc() -> Format:
    """AA 55, number, thickness in 1/100 mm, count of 32 bits, amplitude, flags, CRC-16 as Modbus has it."""
    s = scan(21, nominal=12.0, start=-30)
    counts = np.round(s.positions * 100).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        body = struct.pack(
            "<HHiBB",
            n & 0xFFFF,
            0 if lost else round(s.thickness[n] * 100),
            counts[n],
            round(s.amplitude[n]),
            0x80 | (0 if lost else 1),
        )
        head = b"\xaa\x55" + body
        frames.append((t, head + struct.pack("<H", _reflected(body, 0xA001, 0xFFFF, 16))))
    return Format(
        "little crc",
        frames,
        s.thickness,
        counts.astype(float),
        shows=(f"{s.thickness[-1]:.2f} mm",),
    )


def big_sum() -> Format:
    """One sync byte, big endian, micrometres in 16 bits, 24-bit count, a two's complement sum."""
    s = scan(22, nominal=9.0, start=-10)
    counts = np.round(s.positions * 200).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        value = 0xFFFF if np.isnan(s.thickness[n]) else round(s.thickness[n] * 1000)
        body = b"\xa5" + struct.pack(">H", value) + (int(counts[n]) & 0xFFFFFF).to_bytes(3, "big")
        frames.append((t, body + bytes([-sum(body[1:]) & 255])))
    return Format(
        "big sum",
        frames,
        s.thickness,
        counts.astype(float),
        rounding=0.0011,
        shows=(f"{s.thickness[-1]:.3f} mm",),
    )


def slip_floats() -> Format:
    """SLIP, floats of 32 bits: thickness in mm, position in mm; CRC-32."""
    s = scan(23, nominal=18.0)
    frames = []
    for n, t in enumerate(s.times):
        value = -1.0 if np.isnan(s.thickness[n]) else s.thickness[n]
        body = struct.pack("<Bff", n & 255, value, s.positions[n])
        body += struct.pack("<I", zlib.crc32(body))
        escaped = body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc")
        frames.append((t, b"\xc0" + escaped + b"\xc0"))
    return Format(
        "slip floats",
        frames,
        s.thickness,
        s.positions,
        counts=False,
        shows=(f"{s.thickness[-1]:.2f} mm", f"position={s.positions[-1]:.1f} mm"),
    )


def bcd() -> Format:
    """BCD: hundredths of a mm in four digits, 9999 without an echo, count of six digits, xor."""
    s = scan(24, nominal=14.0)
    counts = np.round(s.positions * 25).astype(int) + 999_000
    frames = []
    for n, t in enumerate(s.times):
        value = 9999 if np.isnan(s.thickness[n]) else round(s.thickness[n] * 100)
        body = b"\x5a" + bytes.fromhex(f"{value:04d}{counts[n] % 1_000_000:06d}")
        frames.append((t, body + bytes([reduce(xor, body)])))
    return Format(
        "bcd", frames, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


def escaped() -> Format:
    """STX, ETX and DLE escapes, big endian, thickness 1/1000 inch, sum of 8 bits."""
    s = scan(25, nominal=10.0)
    counts = np.round(s.positions * 12).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        value = 0 if np.isnan(s.thickness[n]) else round(s.thickness[n] / 0.0254)
        body = struct.pack(">BHi", n & 255, value, counts[n])
        body += bytes([sum(body) & 255])
        out = bytearray()
        for byte in body:
            out += bytes([0x10, byte ^ 0x20]) if byte in (2, 3, 0x10) else bytes([byte])
        frames.append((t, b"\x02" + bytes(out) + b"\x03"))
    return Format(
        "escaped",
        frames,
        s.thickness,
        counts.astype(float),
        rounding=0.014,
        shows=(f"{s.thickness[-1] / 25.4:.3f} in",),
    )


def length_byte() -> Format:
    """Sync, kind, length, data, CRC-16; a second kind of frame with the temperature in between."""
    s = scan(26, nominal=13.0)
    counts = np.round(s.positions * 60).astype(int) + 5000
    frames = []
    for n, t in enumerate(s.times):
        value = 0x7FFF if np.isnan(s.thickness[n]) else round(s.thickness[n] * 100)
        data = struct.pack(">HiB", value, counts[n], round(s.amplitude[n]))
        body = b"\xeb\x90\x31" + bytes([len(data)]) + data
        frames.append((t, body + struct.pack(">H", binascii.crc_hqx(body[2:], 0xFFFF))))
        if n % 25 == 3:
            data = struct.pack(">hH", round(s.temperature[n] * 10), n)
            body = b"\xeb\x90\x32" + bytes([len(data)]) + data
            frames.append((t + 0.002, body + struct.pack(">H", binascii.crc_hqx(body[2:], 0xFFFF))))
    return Format(
        "length byte",
        frames,
        s.thickness,
        counts.astype(float),
        shows=(f"{s.thickness[-1]:.2f} mm",),
    )


def encoder_16() -> Format:
    """An encoder alone: a counter of 16 bits that rolls over, its own clock in us, CRC-8."""
    s = scan(27, rate=100, length=400)
    counts = np.round(s.positions * 170).astype(int) + 30000
    frames = []
    for n, t in enumerate(s.times):
        body = b"\xc3" + struct.pack("<IH", round(t * 1e6) + 5_000_000, counts[n] & 0xFFFF)
        frames.append((t, body + bytes([_crc8(body, 0x07)])))
    return Format("encoder 16", frames, None, counts.astype(float))


def flight() -> Format:
    """A gauge alone: time of flight in ns and thickness in 1/100 mm, temperature, status word."""
    s = scan(28, nominal=22.0)
    frames = []
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        true = 22.0 if lost else s.thickness[n]
        body = struct.pack(
            ">HIHhH",
            n & 0xFFFF,
            round(true / 2.96 * 1000),
            0 if lost else round(true * 100),
            round(s.temperature[n] * 10),
            0x0104 | (0x20 if lost else 0),
        )
        frames.append((t, b"\x55\xaa" + body + struct.pack(">H", sum(body) & 0xFFFF)))
    return Format("flight", frames, s.thickness, shows=(f"{s.thickness[-1]:.2f} mm",))


def digits() -> Format:
    """ASCII digits in a binary frame, 01 before, an inverted exclusive or that no driver has behind."""
    s = scan(29, nominal=16.0, start=-50)
    counts = np.round(s.positions * 10).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        value = "-----.-" if np.isnan(s.thickness[n]) else f"{s.thickness[n]:07.2f}"
        body = b"\x01\x80" + f"{value}{counts[n]:+06d}".encode()
        frames.append((t, body + bytes([reduce(xor, body) ^ 0xFF, 0x04])))
    return Format(
        "digits", frames, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


def fraction() -> Format:
    """Fixed-point numbers of 1/256 mm, a tail behind the CRC."""
    s = scan(30, nominal=11.0)
    counts = np.round(s.positions * 33).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        value = 0 if np.isnan(s.thickness[n]) else round(s.thickness[n] * 256)
        body = b"\x7b" + struct.pack("<HhB", value, counts[n], round(s.amplitude[n]))
        frames.append((t, body + bytes([_crc8(body[1:], 0x31, 0xFF)]) + b"\x7d"))
    return Format(
        "fraction", frames, s.thickness, counts.astype(float), shows=(f"{s.thickness[-1]:.2f} mm",)
    )


def plain() -> Format:
    """No checksum at all; thickness in tenths of a mm, a held value and a bit that shows it."""
    s = scan(31, nominal=32.0, rate=30)
    counts = np.round(s.positions * 8).astype(int)
    frames, last = [], 32.0
    for n, t in enumerate(s.times):
        lost = np.isnan(s.thickness[n])
        last = last if lost else float(s.thickness[n])
        frames.append(
            (
                t,
                b"\xfe\xfe"
                + struct.pack(">BHh", 0x02 if lost else 0x12, round(last * 10), counts[n]),
            )
        )
    return Format(
        "plain",
        frames,
        s.thickness,
        counts.astype(float),
        rounding=0.06,
        shows=(f"{s.thickness[-1]:.1f} mm",),
    )


def hdlc() -> Format:
    """7E at both ends, 7D escapes, little endian, two axes, thickness in um of 24 bits, X.25 check."""
    s = scan(32, nominal=25.0)
    counts = np.round(s.positions * 90).astype(int)
    frames = []
    for n, t in enumerate(s.times):
        value = 0xFFFFFF if np.isnan(s.thickness[n]) else round(s.thickness[n] * 1000)
        body = (
            struct.pack("<H", n & 0xFFFF)
            + value.to_bytes(3, "little")
            + struct.pack("<i", counts[n])
        )
        body += struct.pack("<H", _reflected(body, 0x8408, 0xFFFF, 16) ^ 0xFFFF)
        out = bytearray()
        for byte in body:
            out += bytes([0x7D, byte ^ 0x20]) if byte in (0x7D, 0x7E) else bytes([byte])
        frames.append((t, b"\x7e" + bytes(out) + b"\x7e"))
    return Format(
        "hdlc",
        frames,
        s.thickness,
        counts.astype(float),
        rounding=0.0011,
        shows=(f"{s.thickness[-1]:.3f} mm",),
    )


BINARY_FORMATS: tuple[Made, ...] = (
    *(little_crc, big_sum, slip_floats, bcd, escaped, length_byte, encoder_16, flight, digits),
    *(fraction, plain, hdlc),
)
