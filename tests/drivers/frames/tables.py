"""Settings of frames, and generators of their bytes."""

import random
from typing import Any

from drivers.frames.frame_model import build, pack, width_of

CRC_MODBUS = {"kind": "crc", "width": 16, "poly": 0x8005, "init": 0xFFFF, "reflect_in": True,
              "reflect_out": True}  # fmt: skip
CRC_32 = {"kind": "crc", "width": 32, "poly": 0x04C11DB7, "init": 0xFFFFFFFF, "reflect_in": True,
          "reflect_out": True, "xorout": 0xFFFFFFFF}  # fmt: skip
CRC_X25 = {"kind": "crc", "width": 16, "poly": 0x1021, "init": 0xFFFF, "reflect_in": True,
           "reflect_out": True, "xorout": 0xFFFF}  # fmt: skip

GAUGE: list[dict[str, Any]] = [
    {"is": "constant", "type": "u1", "value": 0x41},
    {"is": "sequence", "type": "u1"},
    {"is": "time_of_flight", "type": "u2", "unit": "ns", "scale": 10.0, "max": 400_000.0,
     "absent": [0, 0xFFFF]},
    {"is": "amplitude", "type": "u1", "scale": 0.5, "max": 120.0},
    {"is": "status", "type": "u1", "mask": 0x06, "valid_when": 0x02},
    {"is": "index_mark", "type": "u1", "axis": "scan", "mask": 0x80, "shares": True},
    {"is": "counts", "type": "i2", "axis": "scan"},
]  # fmt: skip
"""Eight bytes with most kinds of field, the position among them."""

DETECTOR: list[dict[str, Any]] = [
    {"is": "constant", "type": "u1", "value": 7},
    {"is": "length", "type": "u2"},
    {"is": "device_time", "type": "u4", "unit": "us"},
    {"is": "status", "type": "u1", "valid": [0, 1], "invalid": [2]},
    {"is": "waveform", "type": "i2", "samples": 6, "interval": "10 ns", "start": "0.5 us",
     "full_scale": 32767},
]  # fmt: skip
"""Twenty bytes with an A-scan."""

VARIANTS: dict[str, dict[str, Any]] = {
    "fixed": {
        "framing": {"kind": "fixed", "sync": [0xA5, 0x5A], "length": 11},
        "fields": [*GAUGE, {"is": "skip"}],
        "max_length": 40,
    },
    "fixed, checked": {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": 12},
        "checksum": CRC_MODBUS | {"from": 1},
        "fields": [{"is": "skip"}, *GAUGE],
        "other_frames": "ignore",
    },
    "fixed, without sync": {
        "framing": {"kind": "fixed", "length": 9},
        "checksum": {"kind": "xor8"},
        "fields": GAUGE,
        "byte_order": "big",
        "max_length": 30,
    },
    "length": {
        "framing": {"kind": "length_prefix", "sync": [0xA5, 0xA5], "adds": 5},
        "checksum": CRC_32 | {"byte_order": "little"},
        "fields": DETECTOR,
        "byte_order": "big",
        "max_length": 64,
    },
    "length, with rest": {
        "framing": {"kind": "length_prefix", "sync": [1], "adds": 1},
        "checksum": {"kind": "sum16", "from": 1},
        "fields": [{"is": "length", "type": "u1"}, *GAUGE, {"is": "skip", "bytes": "rest"}],
        "max_length": 48,
    },
    "length, without sync": {
        "framing": {"kind": "length_prefix", "adds": -1},
        "checksum": {"kind": "sum8"},
        "fields": [*GAUGE[:2], {"is": "length", "type": "u1"}, *GAUGE[2:]],
        "max_length": 24,
    },
    "length, unchecked": {
        "framing": {"kind": "length_prefix", "sync": [0xA5, 0xA5, 0x5A], "adds": 2},
        "fields": [{"is": "length", "type": "u2"}, *GAUGE, {"is": "skip", "bytes": "rest"}],
        "byte_order": "big",
        "max_length": 32,
    },
    "start and stop": {
        "framing": {"kind": "start_stop", "start": 2, "stop": 3, "escape": 0x10, "xor": 0x20},
        "checksum": {"kind": "sum16", "byte_order": "big"},
        "fields": GAUGE,
        "max_length": 30,
    },
    "start and stop, literal": {
        "framing": {"kind": "start_stop", "start": 2, "stop": 3, "escape": 0x10},
        "fields": GAUGE,
        "max_length": 30,
    },
    "start and stop, plain": {
        "framing": {"kind": "start_stop", "start": 0xFE, "stop": 0xFF},
        "fields": GAUGE,
        "max_length": 16,
    },
    "doubled, checked behind": {
        "framing": {"kind": "doubled", "byte": 0x10, "start": 2, "stop": 3, "checksum_behind": True},
        "checksum": CRC_MODBUS,
        "fields": [*GAUGE, {"is": "skip", "bytes": "rest"}],
        "max_length": 30,
    },
    "flags": {
        "framing": {"kind": "start_stop", "start": 0x7E, "stop": 0x7E, "escape": 0x7D, "xor": 0x20},
        "checksum": CRC_X25,
        "fields": [*GAUGE, {"is": "skip", "bytes": "rest"}],
        "max_length": 40,
    },
}  # fmt: skip
"""Every framing but that by silences, each in several ways."""


def content(table: dict[str, Any], source: random.Random) -> bytes:
    """What the fields of a frame hold, mostly right."""
    out = b""
    for entry in table["fields"]:
        width = width_of(entry)
        if entry["is"] == "constant":
            out += pack(table, entry, entry["value"])
        elif entry["is"] == "status" and "valid" in entry:
            out += pack(table, entry, source.choice([*entry["valid"], *entry["invalid"]]))
        elif entry["is"] == "time_of_flight" and source.random() < 0.8:
            out += pack(table, entry, source.choice([0, 0xFFFF, *range(1, 40_000, 997)]))
        else:
            out += source.randbytes(source.randrange(6) if width is None else width)
    if source.random() < 0.1:
        at = source.randrange(2)
        out = out[:at] + source.randbytes(1) + out[at + 1 :]
    if source.random() < 0.1:
        out = out[: source.randrange(len(out) + 1)] + source.randbytes(source.randrange(3))
    return out


def sound(table: dict[str, Any], source: random.Random) -> bytes:
    """What the fields of a frame hold, all of it right."""
    while True:
        out = b""
        for entry in table["fields"]:
            width = width_of(entry)
            if entry["is"] in ("sequence", "amplitude", "counts", "device_time", "time_of_flight"):
                out += pack(table, entry, source.randrange(1, 240))
            elif entry["is"] == "status" and "valid" in entry:
                out += pack(table, entry, source.choice([*entry["valid"], *entry["invalid"]]))
            elif entry["is"] == "constant":
                out += pack(table, entry, entry["value"])
            else:
                out += source.randbytes(source.randrange(6) if width is None else width)
        framing = table["framing"]
        if {"escape", "byte"} & {*framing} or not {framing.get("start"), framing.get("stop")} & {
            *out
        }:
            return out


def piece(table: dict[str, Any], source: random.Random) -> bytes:
    """A frame, a damaged one, or something else."""
    kind = source.random()
    framing = table["framing"]
    if kind < 0.12:
        return source.randbytes(source.randrange(1, 60))
    if kind < 0.2:
        odd = [*framing.get("sync", []), 0, 1, 2, 3, 255]
        odd += [framing[name] for name in ("start", "stop", "escape", "byte") if name in framing]
        return bytes(source.choices(odd, k=source.randrange(1, 60)))
    frame = bytearray(build(table, content(table, source)))
    if kind < 0.3:
        frame[source.randrange(len(frame))] ^= 1 << source.randrange(8)
    elif kind < 0.36:
        del frame[source.randrange(len(frame))]
    elif kind < 0.42:
        frame.insert(source.randrange(len(frame) + 1), source.randrange(256))
    return bytes(frame)


def stream(table: dict[str, Any], seed: int) -> bytes:
    """Some of all these, one behind the other."""
    source = random.Random(seed)
    parts: list[bytes] = []
    for _ in range(source.randrange(1, 12)):
        parts += [piece(table, source)] * source.choice([1, 1, 1, 1, 3, 80])
    return b"".join(parts)
