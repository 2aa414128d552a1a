"""Twelve invented devices: what their manuals would say, as descriptions, and their bytes.

The generators pack bytes by hand from the numbers that must come out again, which they tell
beside the bytes; they share no code with the drivers. Numbers are chosen so that the bytes hold
them exactly.
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.protocols.bytes_of import crc, escaped, xor


@dataclass(frozen=True)
class Sent:
    """One record on the line, and what it says."""

    data: bytes
    says: dict[str, Any]


@dataclass(frozen=True)
class Protocol:
    """An invented device.

    Attributes:
        name: short.
        description: of its protocol, as a file would hold it.
        record: makes the record of a number.
        garbage: bytes that hold no record and none of its beginnings.
        gap_ms: silence behind each record.
    """

    name: str
    description: str
    record: Callable[[int, random.Random], Sent]
    garbage: Callable[[random.Random], bytes]
    gap_ms: int = 0


def text_garbage(end: bytes) -> Callable[[random.Random], bytes]:
    """A line of noise, with its end."""
    return lambda source: bytes(source.choices(b"\x80\xa5\xff~?", k=source.randrange(1, 90))) + end


def byte_garbage(allowed: bytes) -> Callable[[random.Random], bytes]:
    """Noise of certain bytes."""
    return lambda source: bytes(source.choices(allowed, k=source.randrange(1, 90)))


# 1. Sentences with a checksum, after the manner of NMEA 0183.
SENTENCES = """
about = "Torvik wall gauge, manual page 12: a sentence for each measurement"
[protocol]
checksum = { kind = "xor", after = "*", from = 1 }
columns = [
  { is = "constant", text = "$TWWTH" },
  { is = "sequence", wrap = 1000 },
  { is = "thickness", unit = "mm", no_echo = ["--.--"] },
  { is = "constant", text = "M" },
  { is = "status", valid = ["A"], invalid = ["V"] },
]
"""


def sentence(number: int, source: random.Random) -> Sent:
    """`$TWWTH,012,08.25,M,A*hh`."""
    hundredths = source.randrange(100, 9999)
    valid = source.random() < 0.8
    value = f"{hundredths // 100:02d}.{hundredths % 100:02d}" if valid else "--.--"
    body = f"TWWTH,{number % 1000:03d},{value},M,{'A' if valid else 'V'}".encode()
    says = {
        "sequence": number % 1000,
        "valid": valid,
        "thickness": hundredths / 100 if valid else math.nan,
    }
    return Sent(b"$" + body + f"*{xor(body):02X}\r\n".encode(), says)


# 2. Position and reading in one line between tabs, lengths in inches.
TABS = r"""
about = "Kestrel crawler logger: thickness in inches, wheel and arm counts"
[protocol]
separator = "\t"
terminator = "\n"
columns = [
  { is = "counts", axis = "scan", bits = 24, signed = true },
  { is = "counts", axis = "index", bits = 16 },
  { is = "thickness", unit = "in", no_echo = [0.0] },
  { is = "amplitude", unit = "fraction" },
  { is = "index_mark", axis = "scan" },
]
"""


def tabs(number: int, source: random.Random) -> Sent:
    """`-1234 <tab> 17 <tab> 0.375 <tab> 0.5 <tab> 0`."""
    scan = source.randrange(-(2**23), 2**23)
    eighths = source.randrange(0, 5)
    half = source.randrange(0, 3)
    line = f"{scan}\t{number % 65536}\t{eighths / 8}\t{half / 2}\t{number % 2}\n"
    says = {
        "counts": (scan, number % 65536),
        "valid": eighths > 0,
        "thickness": eighths / 8 * 25.4 if eighths else math.nan,
        "amplitude": half * 50,
        "mark": (bool(number % 2), False),
    }
    return Sent(line.encode(), says)


# 3. Columns at fixed places with a sum at the end.
COLUMNS = r"""
about = "Oldham bench comparator, 1980s printer port: columns as on paper"
driver = "fixed_columns"
[protocol]
terminator = "\r"
checksum = { kind = "sum8", after = " " }
[protocol.columns]
"1-2" = { is = "constant", text = "TH" }
"4-9" = { is = "thickness", unit = "thou", min = 0.0, no_echo = ["******"] }
"11" = { is = "status", valid = ["G", "A"], invalid = ["L"] }
"13-20" = { is = "counts", axis = "scan" }
"""


def columns(number: int, source: random.Random) -> Sent:
    """`TH  250.5 G    -1234 hh`."""
    half_thou = source.randrange(200, 4000)
    state = source.choice("GGAL")
    shown = f"{half_thou / 2:6.1f}" if source.random() < 0.9 else "******"
    counts = number * 37 - 500
    line = f"TH {shown} {state} {counts:8d}".encode()
    valid = state != "L" and shown != "******"
    says = {
        "valid": valid,
        "thickness": half_thou / 2 * 0.0254 if valid else math.nan,
        "counts": (counts,),
    }
    return Sent(line + f" {sum(line) % 256:02x}\r".encode(), says)


# 4. Words and numbers as for people.
WORDS = r"""
about = "Marsh UT-talker: a sentence in words"
driver = "pattern"
[protocol]
terminator = "\r\n"
pattern = 'no (?P<no>\d+): (?:d=(?P<d>[\d.]+) ?mm|lost) *(?:at (?P<x>[-+]?[\d.]+)mm)?(?P<home> home)?'
[protocol.columns]
no = { is = "sequence" }
d = { is = "thickness", unit = "mm", empty = "no_echo" }
x = { is = "position", axis = "scan", unit = "mm" }
home = { is = "ignore" }
"""


def words(number: int, source: random.Random) -> Sent:
    """`no 7: d=12.5 mm at -3.25mm`."""
    quarters = source.randrange(1, 400)
    place = source.randrange(-400, 400) / 4
    lost = source.random() < 0.2
    told = "lost" if lost else f"d={quarters / 4}{source.choice(['', ' '])}mm"
    line = f"no {number}: {told} at {place:+}mm{source.choice(['', ' home'])}\r\n"
    says = {
        "sequence": number,
        "valid": not lost,
        "thickness": math.nan if lost else quarters / 4,
        "counts": (place,),
    }
    return Sent(line.encode(), says)


# 5. An encoder box: frames of one length with a CRC.
ENCODER = """
about = "Two-axis encoder box: 12 bytes, CRC-16 as XMODEM has it"
driver = "frames"
[protocol]
framing = { kind = "fixed", sync = [0xEB, 0x90], length = 12 }
checksum = { kind = "crc", width = 16, poly = 0x1021, byte_order = "big", from = 2 }
max_length = 64
fields = [
  { is = "counts", type = "i4", axis = "scan", bits = 24, byte_order = "little" },
  { is = "counts", type = "u2", axis = "index" },
  { is = "sequence", type = "u1" },
  { is = "index_mark", type = "u1", axis = "index", mask = 0x10 },
]
"""


def encoder(number: int, source: random.Random) -> Sent:
    """EB 90, wheel, arm, number, flags, CRC."""
    scan = source.randrange(-(2**23), 2**23)
    arm, flags = source.randrange(65536), source.randrange(256)
    body = struct.pack("<iHBB", scan, arm, number % 256, flags)
    check = crc(body, width=16, poly=0x1021)
    says = {
        "counts": (scan, arm),
        "sequence": number % 256,
        "mark": (False, bool(flags & 0x10)),
    }
    return Sent(b"\xeb\x90" + body + check.to_bytes(2, "big"), says)


# 6. A flaw detector that sends its A-scans behind their length.
ASCAN = """
about = "Flaw detector, A-scans of 32 samples, big-endian, CRC-32 of the zip kind"
driver = "frames"
[protocol]
byte_order = "big"
framing = { kind = "length_prefix", sync = [0x41, 0x53], adds = 4 }
checksum = { kind = "crc", width = 32, poly = 0x04C11DB7, init = 0xFFFFFFFF, reflect_in = true, reflect_out = true, xorout = 0xFFFFFFFF }
max_length = 128
fields = [
  { is = "length", type = "u2" },
  { is = "device_time", type = "u4", unit = "us" },
  { is = "waveform", type = "i2", samples = 32, interval = "20 ns", start = "1 us", full_scale = 1000 },
]
"""


def ascan(number: int, source: random.Random) -> Sent:
    """AS, bytes behind the length, time, samples, CRC."""
    samples = [source.randrange(-1000, 1001) for _ in range(32)]
    time = (number * 500) % 2**32
    body = struct.pack(">I32h", time, *samples)
    whole = b"AS" + struct.pack(">H", len(body) + 4) + body
    check = crc(whole, width=32, poly=0x04C11DB7, init=2**32 - 1, reflect=True, xorout=2**32 - 1)
    says = {"device_time": time * 1000, "waveform": samples, "valid": True}
    return Sent(whole + check.to_bytes(4, "big"), says)


# 7. STX, ETX, DLE.
STX_ETX = """
about = "Probe interface: STX ... ETX with DLE before what would be one of them"
driver = "frames"
[protocol]
framing = { kind = "start_stop", start = 0x02, stop = 0x03, escape = 0x10, xor = 0x40 }
checksum = { kind = "xor8" }
max_length = 48
fields = [
  { is = "constant", type = "u1", value = 0x54 },
  { is = "time_of_flight", type = "f4", unit = "us", absent = ["nan"] },
  { is = "amplitude", type = "u1", scale = 0.5 },
]
"""


def stx_etx(number: int, source: random.Random) -> Sent:  # noqa: ARG001
    """02 'T' time amplitude xor 03, with escapes."""
    lost = source.random() < 0.2
    time = math.nan if lost else source.randrange(1, 4000) / 32
    half_percent = source.randrange(256)
    body = struct.pack("<cfB", b"T", time, half_percent)
    body += bytes([xor(body)])
    says = {"valid": not lost, "time_of_flight": time, "amplitude": half_percent / 2}
    return Sent(b"\2" + escaped(body, special=b"\2\3\x10", escape=0x10, mask=0x40) + b"\3", says)


# 8. Frames between flags, with position, reading and the device's clock.
FLAGS = """
about = "Scanner controller: frames between flags 7E as HDLC has them, CRC-16 as X.25 has it"
driver = "frames"
[protocol]
framing = { kind = "start_stop", start = 0x7E, stop = 0x7E, escape = 0x7D, xor = 0x20 }
checksum = { kind = "crc", width = 16, poly = 0x1021, init = 0xFFFF, reflect_in = true, reflect_out = true, xorout = 0xFFFF }
max_length = 64
fields = [
  { is = "device_time", type = "u4", unit = "ns", scale = 62.5 },
  { is = "counts", type = "i4", axis = "scan" },
  { is = "time_of_flight", type = "u2", unit = "ns", scale = 10.0, absent = [0xFFFF] },
  { is = "status", type = "u1", mask = 0x03, valid_when = 0x01 },
]
"""


def flags(number: int, source: random.Random) -> Sent:
    """7E, clock at 16 MHz, counts, time in 10 ns, state, CRC, 7E."""
    clock = (number * 16_000) % 2**32
    counts = source.randrange(-(2**31), 2**31)
    time, state = source.choice([source.randrange(1, 4000), 0xFFFF]), source.randrange(256)
    body = struct.pack("<IiHB", clock, counts, time, state)
    check = crc(body, width=16, poly=0x1021, init=0xFFFF, reflect=True, xorout=0xFFFF)
    valid = time != 0xFFFF and state & 3 == 1
    says = {
        "device_time": clock * 125 // 2,
        "counts": (counts,),
        "valid": valid,
        "time_of_flight": time / 100 if valid else math.nan,
    }
    body += struct.pack("<H", check)
    return Sent(
        b"\x7e" + escaped(body, special=b"\x7e\x7d", escape=0x7D, mask=0x20) + b"\x7e", says
    )


# 9. Frames between silences.
SILENCES = """
about = "Old gauge: frames of 6 bytes with 5 ms between them, sum at the end"
driver = "frames"
[protocol]
framing = { kind = "idle_gap", gap = "5 ms" }
checksum = { kind = "sum16" }
max_length = 32
fields = [
  { is = "thickness", type = "u2", unit = "mm", scale = 0.01, absent = [0] },
  { is = "status", type = "u1", valid = [0, 1], invalid = [2] },
  { is = "amplitude", type = "u1" },
]
"""


def silences(number: int, source: random.Random) -> Sent:  # noqa: ARG001
    """Thickness, state, amplitude, sum."""
    hundredths, state = source.choice([0, source.randrange(65536)]), source.randrange(3)
    amplitude = source.randrange(101)
    body = struct.pack("<HBB", hundredths, state, amplitude)
    valid = hundredths > 0 and state < 2
    says = {
        "valid": valid,
        "thickness": hundredths * 0.01 if valid else math.nan,
        "amplitude": amplitude,
    }
    return Sent(body + struct.pack("<H", sum(body)), says)


# 10. Nothing but a CRC tells where a frame begins.
BARE = """
about = "Draw-wire sensor: 7 bytes without a mark, CRC-16 as Modbus has it"
driver = "frames"
[protocol]
byte_order = "big"
framing = { kind = "fixed", length = 7 }
checksum = { kind = "crc", width = 16, poly = 0x8005, init = 0xFFFF, reflect_in = true, reflect_out = true, byte_order = "little" }
max_length = 28
fields = [
  { is = "constant", type = "u1", value = 0xD1 },
  { is = "position", type = "i4", axis = "scan", unit = "mm", scale = 0.125, offset = -10.0 },
]
"""


def bare(number: int, source: random.Random) -> Sent:  # noqa: ARG001
    """D1, length in eighths of a mm, CRC."""
    eighths = source.randrange(-(2**20), 2**20)
    body = struct.pack(">Bi", 0xD1, eighths)
    check = crc(body, width=16, poly=0x8005, init=0xFFFF, reflect=True)
    return Sent(body + check.to_bytes(2, "little"), {"counts": (eighths / 8 - 10,)})


# 11. A block of samples in offset binary that fills the frame, two numbers beside it.
SAMPLES = """
about = "Pulser card: 8-bit A-scans, no echo above 50 % when bit 7 of the state is not set"
driver = "frames"
[protocol]
framing = { kind = "fixed", sync = [0xAA, 0x55, 0x33], length = 40 }
checksum = { kind = "sum8" }
max_length = 80
fields = [
  { is = "sequence", type = "u2", wrap = 4096 },
  { is = "status", type = "u1", mask = 0x80, valid_when = 0x80 },
  { is = "counts", type = "u2", axis = "scan", byte_order = "big" },
  { is = "waveform", type = "u1", samples = "rest", interval = "25 ns", full_scale = 127, zero = 128 },
]
"""


def samples(number: int, source: random.Random) -> Sent:
    """AA 55 33, number, state, counts, 31 samples, sum."""
    wave = [source.randrange(256) for _ in range(31)]
    state, counts = source.randrange(256), source.randrange(65536)
    body = b"\xaa\x55\x33" + struct.pack("<HB", number % 4096, state) + struct.pack(">H", counts)
    body += bytes(wave)
    says = {
        "sequence": number % 4096,
        "valid": bool(state & 0x80),
        "counts": (counts,),
        "waveform": wave,
    }
    return Sent(body + bytes([sum(body) % 256]), says)


# 12. Registers, asked for by the driver.
REGISTERS = """
about = "Absolute encoder with Modbus registers, the low word first"
driver = "modbus"
[protocol]
unit = 9
word_order = "low_first"
reads = [{ registers = "input", fields = [
  { is = "counts", register = 16, type = "uint32", axis = "scan" },
  { is = "counts", register = 18, type = "int16", axis = "index" },
] }]
"""


def registers(number: int, source: random.Random) -> Sent:  # noqa: ARG001
    """09 04 06, low word, high word, arm, CRC."""
    scan, arm = source.randrange(2**32), source.randrange(-(2**15), 2**15)
    body = struct.pack(">BBBHHh", 9, 4, 6, scan & 0xFFFF, scan >> 16, arm)
    check = crc(body, width=16, poly=0x8005, init=0xFFFF, reflect=True)
    return Sent(body + struct.pack("<H", check), {"counts": (scan, arm)})


# The noise of checked frames may be anything but what they begin with: a wrong checksum shows.
PROTOCOLS = [
    Protocol("sentences", SENTENCES, sentence, text_garbage(b"\r\n")),
    Protocol("tabs", TABS, tabs, text_garbage(b"\n")),
    Protocol("fixed columns", COLUMNS, columns, text_garbage(b"\r")),
    Protocol("words", WORDS, words, text_garbage(b"\r\n")),
    Protocol("encoder box", ENCODER, encoder, byte_garbage(bytes(range(256)))),
    Protocol("A-scans", ASCAN, ascan, byte_garbage(bytes(range(256)))),
    Protocol("STX and ETX", STX_ETX, stx_etx, byte_garbage(bytes(range(4, 256)))),
    Protocol("flags", FLAGS, flags, byte_garbage(bytes(range(0x7D)) + b"\x7e")),
    Protocol("silences", SILENCES, silences, byte_garbage(b"\xff"), gap_ms=10),
    Protocol("bare", BARE, bare, byte_garbage(bytes(range(0xD1)))),
    Protocol("samples", SAMPLES, samples, byte_garbage(bytes(range(256)))),
    Protocol("registers", REGISTERS, registers, byte_garbage(bytes(range(256)))),
]
