"""A second reader of binary frames, one byte at a time, and a writer of them.

Written from the description of the settings with `struct` and `zlib`; it shares no code with
the decoder.
"""

import math
import struct
import zlib
from dataclasses import dataclass, field
from typing import Any

CODES = {"u1": "B", "u2": "H", "u4": "I", "u8": "Q", "i1": "b", "i2": "h", "i4": "i", "i8": "q",
         "f4": "f", "f8": "d"}  # fmt: skip
SIZES = {"sum8": 1, "sum16": 2, "xor8": 1}


def pack(table: dict[str, Any], entry: dict[str, Any], *values: float) -> bytes:
    """Numbers as the bytes of a field."""
    order = entry.get("byte_order", table.get("byte_order", "little"))
    return struct.pack(("<" if order == "little" else ">") + CODES[entry["type"]] * len(values), *values)  # fmt: skip


def unpack(table: dict[str, Any], entry: dict[str, Any], data: bytes) -> tuple[Any, ...]:
    """The numbers in the bytes of a field."""
    order = entry.get("byte_order", table.get("byte_order", "little"))
    code = CODES[entry["type"]]
    count = len(data) // struct.calcsize("<" + code)
    return struct.unpack(("<" if order == "little" else ">") + code * count, data)


def crc(data: bytes, settings: dict[str, Any]) -> int:
    """A CRC, bit by bit: the register is shifted once for each bit of the message."""
    width, poly = int(settings["width"]), int(settings["poly"])
    register = int(settings.get("init", 0))
    for byte in data:
        for place in range(8):
            shift = place if settings.get("reflect_in") else 7 - place
            top = register >> (width - 1) & 1
            register = (register << 1) & ((1 << width) - 1)
            if top ^ (byte >> shift & 1):
                register ^= poly
    if settings.get("reflect_out"):
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ int(settings.get("xorout", 0))


def checksum(table: dict[str, Any], data: bytes) -> bytes:
    """The bytes of a frame's checksum."""
    settings = table.get("checksum")
    if settings is None:
        return b""
    covered = data[settings.get("from", 0) :]
    kind = settings["kind"]
    size = settings["width"] // 8 if kind == "crc" else SIZES[kind]
    if kind == "crc" and settings["width"] == 32:
        value = zlib.crc32(covered)  # the only one of 32 bits that the tests use
    elif kind == "crc":
        value = crc(covered, settings)
    elif kind == "xor8":
        value = 0
        for byte in covered:
            value ^= byte
    else:
        value = sum(covered) % 256**size
    order = settings.get("byte_order", table.get("byte_order", "little"))
    return value.to_bytes(size, "little" if order == "little" else "big")


def escaped(framing: dict[str, Any], data: bytes) -> bytes:
    """A frame's bytes between its start and stop byte."""
    if "escape" not in framing:
        return data
    out = bytearray()
    for byte in data:
        if byte in (framing["start"], framing["stop"], framing["escape"]):
            out += bytes([framing["escape"], byte ^ framing.get("xor", 0)])
        else:
            out.append(byte)
    return bytes(out)


def covered_end(framing: dict[str, Any]) -> bytes:
    """What the checksum covers behind the data: the stop byte, or nothing."""
    behind = framing["kind"] == "doubled" and framing.get("checksum_behind")
    return bytes([framing["stop"]]) if behind and framing.get("stop_covered", True) else b""


def build(table: dict[str, Any], content: bytes) -> bytes:
    """A frame on the line; `content` is what the fields hold."""
    framing = table["framing"]
    data = bytes(framing.get("sync", [])) + content
    if framing["kind"] == "length_prefix":
        tail = len(checksum(table, data))
        at = len(framing.get("sync", []))
        for entry in table["fields"]:
            if entry["is"] == "length":
                length = pack(table, entry, len(data) + tail - framing.get("adds", 0))
                data = data[:at] + length + data[at + len(length) :]
                break
            at += width_of(entry) or 0
    check = checksum(table, data + covered_end(framing))
    if framing["kind"] == "doubled":
        mark = bytes([framing["byte"]])
        inside, behind = (data, check) if framing.get("checksum_behind") else (data + check, b"")
        begin, end = mark + bytes([framing["start"]]), mark + bytes([framing["stop"]])
        return begin + inside.replace(mark, mark + mark) + end + behind
    data += check
    if framing["kind"] == "start_stop":
        return bytes([framing["start"]]) + escaped(framing, data) + bytes([framing["stop"]])
    return data


def width_of(entry: dict[str, Any]) -> int | None:
    """Bytes of a field; None for the rest."""
    if entry["is"] == "skip":
        size = entry.get("bytes", 1)
        return None if size == "rest" else int(size)
    if entry.get("shares"):
        return 0
    return struct.calcsize("<" + CODES[entry["type"]]) * int(entry.get("samples", 1))


@dataclass
class Account:
    """What becomes of a stream, in its order.

    Attributes:
        frames: offset, size on the line and unescaped bytes of each frame; None where an
            escape byte dangles.
        faults: offset, length and reason of each fault between frames.
        ignored: bytes that mean nothing.
        rest: bytes that wait.
    """

    frames: list[tuple[int, int, bytes | None]] = field(default_factory=list)
    faults: list[tuple[int, int, str]] = field(default_factory=list)
    ignored: int = 0
    rest: int = 0


class _Faults:
    """Bytes between frames."""

    def __init__(self, account: Account, limit: int) -> None:
        self.account, self.limit = account, limit
        self.open: tuple[int, str, int] | None = None

    def byte(self, at: int) -> None:
        if self.open is not None and at - self.open[0] == self.limit:
            self.close(at)
        if self.open is None:
            self.open = (at, "frame", at)

    def failed(self, at: int, reason: str, until: int) -> None:
        if self.open is not None and at < self.open[2]:
            return self.byte(at)
        self.close(at)
        self.open = (at, reason, until)
        return None

    def close(self, at: int) -> None:
        if self.open is not None:
            self.account.faults.append((self.open[0], at - self.open[0], self.open[1]))
        self.open = None


def split(table: dict[str, Any], stream: bytes) -> Account:
    """Cut a stream by sync bytes, or by start and stop bytes."""
    account = Account()
    faults = _Faults(account, table.get("max_length", 4096))
    if table["framing"]["kind"] == "doubled":
        at = _doubled(table, stream, account, faults)
    elif table["framing"]["kind"] != "start_stop":
        at = _synced(table, stream, account, faults)
    elif table["framing"]["start"] == table["framing"]["stop"]:
        at = _flags(table, stream, account, faults)
    else:
        at = _start_stop(table, stream, account, faults)
    account.rest = len(stream) - (at if faults.open is None else faults.open[0])
    return account


def _synced(table: dict[str, Any], stream: bytes, account: Account, faults: _Faults) -> int:
    framing = table["framing"]
    sync = bytes(framing.get("sync", []))
    tail = len(checksum(table, b""))
    head = len(sync)
    entry: dict[str, Any] = {}
    if framing["kind"] == "length_prefix":
        for entry in table["fields"]:
            if entry["is"] == "length":
                break
            head += width_of(entry) or 0
        head += width_of(entry) or 0
    at = 0
    while at < len(stream):
        here = stream[at : at + len(sync)]
        if here != sync:
            if sync.startswith(here):
                return at
            faults.byte(at)
            at += 1
            continue
        if at + head > len(stream):
            return at
        shortest = head + tail
        if entry:
            length = unpack(table, entry, stream[at + head - (width_of(entry) or 0) : at + head])[0]
            length += framing.get("adds", 0)
            if not shortest <= length <= table.get("max_length", 4096):
                faults.failed(at, "length", at + shortest)
                at += 1
                continue
        else:
            length = framing["length"]
        if at + length > len(stream):
            return at
        frame = stream[at : at + length]
        if checksum(table, frame[: length - tail]) != frame[length - tail :]:
            faults.failed(at, "checksum", at + length)
            at += 1
            continue
        faults.close(at)
        account.frames.append((at, length, frame))
        at += length
    return at


def _unescape(framing: dict[str, Any], data: bytes) -> bytes | None:
    out = bytearray()
    at = 0
    while at < len(data):
        if data[at] == framing.get("escape"):
            at += 1
            if at == len(data):
                return None
            out.append(data[at] ^ framing.get("xor", 0))
        else:
            out.append(data[at])
        at += 1
    return bytes(out)


def _ends(framing: dict[str, Any], stream: bytes) -> list[bool]:
    """Whether each byte is a start or stop byte that stands for itself."""
    out, escapes = [], 0
    for byte in stream:
        hidden = framing.get("xor", 0) == 0 and escapes % 2 == 1
        out.append(byte in (framing["start"], framing["stop"]) and not hidden)
        escapes = escapes + 1 if byte == framing.get("escape") else 0
    return out


def _start_stop(table: dict[str, Any], stream: bytes, account: Account, faults: _Faults) -> int:
    framing, most = table["framing"], table.get("max_length", 4096)
    ends = _ends(framing, stream)
    at = 0
    while at < len(stream):
        if not ends[at] or stream[at] != framing["start"]:
            faults.byte(at)
            at += 1
            continue
        end = at + 1
        while end < len(stream) and not ends[end] and end - at < most:
            end += 1
        if end - at >= most:
            faults.failed(at, "too_long", at + 1)
            at += 1
        elif end == len(stream):
            return at
        elif stream[end] == framing["start"]:
            faults.failed(at, "frame", at + 1)
            at += 1
        else:
            faults.close(at)
            account.frames.append((at, end - at + 1, _unescape(framing, stream[at + 1 : end])))
            at = end + 1
    return at


def _doubled(table: dict[str, Any], stream: bytes, account: Account, faults: _Faults) -> int:
    framing, most = table["framing"], table.get("max_length", 4096)
    tail = len(checksum(table, b"")) if framing.get("checksum_behind") else 0
    at, begin = 0, -1
    content: bytearray | None = bytearray()
    while True:
        if begin >= 0 and at - begin > most - 2:
            faults.failed(begin, "too_long", begin + 1)
            for byte in range(begin + 1, at):
                faults.byte(byte)
            begin = -1
        token = stream[at : at + 2]
        if not token or token == bytes([framing["byte"]]):  # its other byte is still to come
            return begin if begin >= 0 else at
        if token[0] != framing["byte"]:
            token = token[:1]
        if token[-1] == framing["start"] and len(token) == 2:
            if begin >= 0:
                faults.failed(begin, "frame", begin + 1)
                for byte in range(begin + 1, at):
                    faults.byte(byte)
            begin, content = at, bytearray()
        elif begin < 0:
            for byte in range(at, at + len(token)):
                faults.byte(byte)
        elif token[-1] == framing["stop"] and len(token) == 2:
            end = at + 2 + tail
            if end > len(stream):
                return begin
            faults.close(begin)
            frame = None if content is None else bytes(content) + stream[at + 2 : end]
            account.frames.append((begin, end - begin, frame))
            at, begin = end, -1
            continue
        elif len(token) == 2 and token[0] != token[1]:
            content = None
        elif content is not None:
            content.append(token[0])
        at += len(token)


def _flags(table: dict[str, Any], stream: bytes, account: Account, faults: _Faults) -> int:
    framing, most = table["framing"], table.get("max_length", 4096)
    inside, at, begin = False, 0, 0
    while at < len(stream):
        if not inside:
            if stream[at] == framing["start"]:
                faults.close(at)
                account.ignored += 1
                inside, begin = True, at + 1
            else:
                faults.byte(at)
        elif stream[at] == framing["start"]:
            if at > begin:
                size = at - begin + 1
                account.frames.append((begin, size, _unescape(framing, stream[begin:at])))
            else:
                account.ignored += 1
            begin = at + 1
        elif at - begin + 1 >= most:
            faults.failed(begin, "too_long", begin + 1)
            for byte in range(begin + 1, at + 1):
                faults.byte(byte)
            inside = False
        at += 1
    return begin if inside else at


@dataclass
class Outcome:
    """What became of one frame: a fault's reason, `ignored`, or what its fields hold."""

    fault: str | None = None
    record: dict[str, Any] = field(default_factory=dict)


def read_frame(table: dict[str, Any], frame: bytes | None) -> Outcome:
    """What must become of a frame's unescaped bytes."""
    if frame is None:
        return Outcome("frame")
    tail = len(checksum(table, b""))
    data = frame[: len(frame) - tail]
    covered = data + covered_end(table["framing"])
    if len(frame) < tail or checksum(table, covered) != frame[len(frame) - tail :]:
        return Outcome("checksum")
    places: list[tuple[int, int]] = []
    at = len(table["framing"].get("sync", []))
    for entry in table["fields"]:
        width = width_of(entry)
        if entry.get("shares"):
            places.append(places[-1])
            continue
        places.append((at, len(data) if width is None else at + width))
        at = places[-1][1]
    rest = width_of(table["fields"][-1]) is None
    for entry, (begin, end) in zip(table["fields"], places, strict=True):
        if entry["is"] != "constant" or end > len(data):
            continue
        if unpack(table, entry, data[begin:end])[0] != entry["value"]:
            ignore = table.get("other_frames") == "ignore"
            return Outcome("ignored" if ignore else "unknown_frame")
    least = at if not rest else places[-1][0]
    if len(data) < least or (len(data) > least and not rest):
        return Outcome("length")
    record: dict[str, Any] = {"valid": True}
    faults: list[str] = []
    checks: list[tuple[str, dict[str, Any], float]] = []
    for entry, (begin, end) in zip(table["fields"], places, strict=True):
        kind = entry["is"]
        if kind in ("constant", "skip", "length"):
            continue
        values = unpack(table, entry, data[begin:end])
        if kind == "waveform":
            record[kind] = values
        elif kind == "counts":
            record[f"axis {entry['axis']}"] = float(values[0])
            bits = entry.get("bits", 99)
            if abs(values[0]) > 2**53 or not (
                0 <= values[0] < 2**bits
                if entry["type"][0] == "u"
                else -(2 ** (bits - 1)) <= values[0] < 2 ** (bits - 1)
            ):
                faults.append("out_of_range")
        elif kind == "sequence":
            record[kind] = values[0]
            if values[0] >= entry.get("wrap", 2**63):
                faults.append("out_of_range")
        elif kind == "device_time":
            unit = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9}[entry["unit"]]
            record[kind] = values[0] * unit
            if values[0] >= 2 ** entry.get("bits", 63) or abs(record[kind]) >= 2**63:
                faults.append("out_of_range")
        elif kind == "index_mark":
            record[f"mark {entry['axis']}"] = values[0] & entry.get("mask", 1) != 0
        elif kind == "status":
            if "mask" in entry:
                record["valid"] &= values[0] & entry["mask"] == entry["valid_when"]
            elif values[0] not in (*entry["valid"], *entry.get("invalid", ())):
                faults.append("status")
            else:
                record["valid"] &= values[0] in entry["valid"]
        else:
            sent = values[0]
            absent = any(
                math.isnan(sent) if sentinel == "nan" else sent == sentinel
                for sentinel in entry.get("absent", ())
            )
            if absent and kind == "amplitude":
                record[kind] = math.nan
            elif absent:
                record["valid"] = False
            elif not math.isfinite(sent):
                faults.append("not_finite")
            else:
                value = sent * entry.get("scale", 1.0) + entry.get("offset", 0.0)
                if abs(value) > 1e30:
                    faults.append("out_of_range")
                checks.append((kind, entry, value))
    for kind, entry, value in checks:
        if kind in ("position", "amplitude") or record["valid"]:
            inside = entry.get("min", -math.inf) <= value <= entry.get("max", math.inf)
            if not inside and (kind != "amplitude" or record["valid"]):
                faults.append("out_of_range")
        factor = {"ns": 1e-3, "ms": 1e3, "s": 1e6, "in": 25.4, "thou": 0.0254, "fraction": 100.0}
        ours = value * factor.get(entry.get("unit", "%"), 1.0)
        if kind == "position":
            record[f"axis {entry['axis']}"] = ours
        elif kind == "amplitude" or record["valid"]:
            record[kind] = ours
    return Outcome(faults[0]) if faults else Outcome(record=record)
