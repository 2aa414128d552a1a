"""Formats thrown together by a random number: as many as one likes that nobody has looked at."""

from __future__ import annotations

import binascii
import random
import struct
import zlib
from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Literal

import numpy as np

from drivers.suggest.scans import Format, Scan, scan

Field = Callable[[int], bytes]


def throw_binary(seed: int) -> Format:
    """A binary format of its own for each seed."""
    r = random.Random(seed)
    rate = r.choice([20, 40, 50, 80])
    s = scan(
        seed, rate=rate, nominal=r.choice([6.0, 9.5, 12.0, 19.0, 30.0]),
        length=r.choice([90, 150, 240, 400]), start=r.choice([-60.0, 0.0, 0.0, 500.0]),
        jitter=r.choice([0.0, 0.004]),
    )  # fmt: skip
    order = r.choice(["<", ">"])
    lost = np.isnan(s.thickness)
    held = r.random() < 0.25
    value, unit, places, rounding, flagged = _value(r, s, order, lost, held)
    count, counts, is_length = _count(r, s, order)
    fields: list[Field] = [value, count]
    if r.random() < 0.5:
        code = r.choice(["B", "H"])
        fields.append(lambda n: struct.pack(order + code, n & (255 if code == "B" else 65535)))
    if r.random() < 0.4:
        tick = r.choice([1e3, 1e6, 1e4])
        fields.append(lambda n: struct.pack(order + "I", int(s.times[n] * tick) + 123456))
    if r.random() < 0.5:
        fields.append(lambda n: bytes([round(s.amplitude[n])]))
    if r.random() < 0.4:
        fields.append(lambda n: struct.pack(order + "h", round(s.temperature[n] * 10)))
    if r.random() < 0.3:
        gain = r.randrange(20, 60)
        fields.append(lambda _: bytes([gain]))
    if flagged or r.random() < 0.3:
        bit, rest, when = r.randrange(8), r.randrange(256), r.random() < 0.5
        base = rest & ~(1 << bit)
        fields.append(lambda n: bytes([base | (int(lost[n] == when) << bit)]))
    r.shuffle(fields)
    framing, check = _framing(r), _check(r, order)
    frames = []
    for n, t in enumerate(s.times):
        frames.append((float(t), framing(b"".join(one(n) for one in fields), check)))
    shown = s.thickness[-1] / (25.4 if unit == "in" else 1.0)
    shows = [f"{shown:.{places}f} {unit}"]
    if is_length:
        shows.append(f"position={s.positions[-1]:.1f} mm")
    return Format(
        f"binary {seed}", frames, s.thickness, counts, rounding=rounding, shows=tuple(shows),
        counts=not is_length, seed=seed,
    )  # fmt: skip


def _value(
    r: random.Random, s: Scan, order: str, lost: np.ndarray, held: bool
) -> tuple[Field, str, int, float, bool]:
    kept = s.thickness.copy()
    for n in range(1, kept.size):
        if np.isnan(kept[n]):
            kept[n] = kept[n - 1]
    true = np.where(np.isnan(kept), 0.0, kept)
    kind = r.choice(["H2", "H2", "H3", "I3", "T3", "f", "bcd", "h1", "inch"])
    if kind == "f":
        stand = r.choice([0.0, -1.0, float("nan")])
        return (
            lambda n: struct.pack(order + "f", true[n] if held or not lost[n] else stand),
            "mm", 2, 0.006, held,
        )  # fmt: skip
    if kind == "bcd":

        def packed(n: int) -> bytes:
            number = round(true[n] * 100) if held or not lost[n] else 0
            data = bytes.fromhex(f"{number:04d}")
            return data if order == ">" else data[::-1]

        return packed, "mm", 2, 0.006, held
    scale, places, unit, rounding = {
        "H2": (100, 2, "mm", 0.006), "H3": (1000, 3, "mm", 0.0006), "I3": (1000, 3, "mm", 0.0006),
        "T3": (1000, 3, "mm", 0.0006), "h1": (10, 1, "mm", 0.06), "inch": (1000 / 25.4, 3, "in", 0.014),
    }[kind]  # fmt: skip
    size = {"I3": 4, "T3": 3}.get(kind, 2)
    stand_int = r.choice([0, (1 << 8 * size) - 1, (1 << (8 * size - 1)) - 1])

    def whole(n: int) -> bytes:
        number = round(true[n] * scale) if held or not lost[n] else stand_int
        return number.to_bytes(size, "big" if order == ">" else "little")

    return whole, unit, places, rounding, held


def _count(r: random.Random, s: Scan, order: str) -> tuple[Field, np.ndarray, bool]:
    kind = r.choice(["i", "i", "h", "T", "f", "bcd"])
    way: Literal["big", "little"] = "big" if order == ">" else "little"
    if kind == "f":
        return lambda n: struct.pack(order + "f", s.positions[n]), s.positions, True
    per = r.choice([8, 12.5, 40, 100, 157.08]) if kind != "bcd" else r.choice([5, 20])
    counts = np.round(s.positions * per).astype(int)
    if kind == "bcd":
        counts = counts + 2000

        def packed(n: int) -> bytes:
            data = bytes.fromhex(f"{int(counts[n]) % 1000000:06d}")
            return data if order == ">" else data[::-1]

        return packed, counts.astype(float), False
    size = {"i": 4, "h": 2, "T": 3}[kind]
    mask = (1 << 8 * size) - 1
    return lambda n: (int(counts[n]) & mask).to_bytes(size, way), counts.astype(float), False


Check = Callable[[bytes], bytes]


def _check(r: random.Random, order: str) -> Check:
    way: Literal["big", "little"] = "big" if order == ">" else "little"
    kind = r.choice(["xor", "sum", "neg", "sum16", "ccitt", "modbus", "crc32", "crc8", "none"])
    return {
        "xor": lambda d: bytes([reduce(xor, d, 0)]),
        "sum": lambda d: bytes([sum(d) & 255]),
        "neg": lambda d: bytes([-sum(d) & 255]),
        "sum16": lambda d: (sum(d) & 65535).to_bytes(2, way),
        "ccitt": lambda d: binascii.crc_hqx(d, 0xFFFF).to_bytes(2, way),
        "modbus": lambda d: _reflected(d).to_bytes(2, way),
        "crc32": lambda d: zlib.crc32(d).to_bytes(4, way),
        "crc8": lambda d: bytes([_crc8(d)]),
        "none": lambda _: b"",
    }[kind]


def _reflected(data: bytes) -> int:
    state = 0xFFFF
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = (state >> 1) ^ 0xA001 if state & 1 else state >> 1
    return state


def _crc8(data: bytes) -> int:
    state = 0
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = ((state << 1) ^ 0x31) & 255 if state & 0x80 else (state << 1) & 255
    return state


def _framing(r: random.Random) -> Callable[[bytes, Check], bytes]:
    kind = r.choice(["two", "two", "one", "length", "slip", "stuffed", "tail"])
    head = bytes(r.sample(range(0x80, 0x100), 2))
    covers = r.random() < 0.5
    if kind in ("two", "one", "tail"):
        sync = head[: 1 if kind == "one" else 2]
        behind = b"\r\n" if kind == "tail" else b""
        return lambda d, c: sync + d + c(sync + d if covers else d) + behind
    if kind == "length":
        return lambda d, c: head + bytes([len(d)]) + d + c(bytes([len(d)]) + d)
    if kind == "slip":
        return lambda d, c: (
            b"\xc0"
            + (d + c(d)).replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc")
            + b"\xc0"
        )

    def stuffed(d: bytes, c: Check) -> bytes:
        out = bytearray(b"\x02")
        for byte in d + c(d):
            out += bytes([0x1B, byte ^ 0x80]) if byte in (2, 3, 0x1B) else bytes([byte])
        return bytes(out) + b"\x03"

    return stuffed
