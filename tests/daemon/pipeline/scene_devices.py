"""What the devices of a scene send: their tables in a station file, and each record's bytes.

A record is made at a time in µs after the start of the scene; a device with a clock of its own
sends that time by this clock, which runs fast or slow and may start again at zero.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from functools import reduce
from typing import Literal

__all__ = ["VELOCITY", "ZERO_OFFSET", "Encoder", "Gauge"]

VELOCITY = 6.0
"""mm/µs."""

ZERO_OFFSET = 0.5
"""µs."""

SAMPLES = 60
"""Samples of an A-scan, every 0.1 µs from 1 µs on."""

_COUNTS_PER_MM = 10
_ROUND = 400
"""Counts round the pipe of a scene."""


def _line(body: str) -> bytes:
    """Return a line with its checksum and terminator."""
    check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
    return f"{body}*{check:02X}\r\n".encode()


def _frame(sync: bytes, body: bytes) -> bytes:
    """Return a frame with its checksum."""
    return sync + body + bytes([sum(sync + body) % 256])


@dataclass(frozen=True, kw_only=True)
class Clock:
    """A device's own clock, in µs.

    Attributes:
        ppm: by which it is fast.
        restart: µs after the start at which it begins again; None for never.
        back: by which it is then set back, µs; None to begin at zero.
        stopped: from when to when it stands still, µs after the start.
        bits: at which it rolls over in text lines; None for never.
    """

    ppm: float = 0.0
    restart: int | None = None
    back: int | None = None
    stopped: tuple[int, int] | None = None
    bits: int | None = None

    def at(self, us: int) -> int:
        """Return what it shows `us` after the start."""
        begin = -7_000_000
        if self.restart is not None and us >= self.restart:
            begin = self.restart if self.back is None else begin + self.back
        if self.stopped is not None and us >= self.stopped[0]:
            us -= min(us, self.stopped[1]) - self.stopped[0]
        shown = round((us - begin) * (1 + self.ppm * 1e-6))
        return shown % (1 << self.bits) if self.bits else shown

    @property
    def column(self) -> str:
        """Its column in a text line."""
        bits = f", bits = {self.bits}" if self.bits else ""
        return f'{{ is = "device_time", unit = "us"{bits} }}'


@dataclass(frozen=True, kw_only=True)
class Encoder:
    """An encoder of one or two axes.

    Attributes:
        form: text lines, binary frames, or text lines with lengths, which start again after a turn
            of the wheel's pipe.
        clock: its own clock; None for none.
        bits: at which its counts roll over; None for never.
        period: µs from record to record.
        on_change: whether it is silent while it stands still.
        mark_at: scan position of its index mark, mm; None for none.
        glitches: share of records with a count that no probe can have reached.
        wheel_slip: mm of travel that are not counted from half of the scene on.
        stuck: s after the start from which on the counts stay the same; None for never.
        port: address; a serial one has a baud rate, of which the time of a byte follows.
    """

    form: Literal["text", "binary", "lengths"] = "text"
    clock: Clock | None = Clock()
    bits: int | None = None
    period: int = 5_000
    on_change: bool = False
    mark_at: float | None = None
    glitches: float = 0.0
    wheel_slip: float = 0.0
    stuck: float | None = None
    port: str = "socket://encoder:1"

    def table(self, name: str, axes: tuple[str, ...]) -> str:
        """Return its table in a station file."""
        quiet = "on_change = true\n" if self.on_change else ""
        head = f'[device.{name}]\nport = "{self.port}"\n{quiet}'
        if self.form == "binary":
            fields = ['{ is = "device_time", type = "u4", unit = "us" }'] if self.clock else []
            fields += [f'{{ is = "counts", type = "i2", axis = "{axis}" }}' for axis in axes]
            length = 2 + 4 * (self.clock is not None) + 2 * len(axes) + 1
            return (
                f'{head}driver = "frames"\n[device.{name}.protocol]\n'
                f'framing = {{ kind = "fixed", sync = [170, 85], length = {length} }}\n'
                f'checksum = {{ kind = "sum8" }}\nfields = [{", ".join(fields)}]\n'
            )
        columns = ['{ is = "constant", text = "P" }']
        if self.clock:
            columns.append(self.clock.column)
        bits = f", bits = {self.bits}" if self.bits else ""
        if self.form == "lengths":
            columns += [f'{{ is = "position", axis = "{axis}", unit = "mm" }}' for axis in axes]
        else:
            columns += [f'{{ is = "counts", axis = "{axis}"{bits} }}' for axis in axes]
        if self.mark_at is not None:
            columns.append('{ is = "index_mark", axis = "scan" }')
        return (
            f"{head}[device.{name}.protocol]\ncolumns = [{', '.join(columns)}]\n"
            f'checksum = {{ kind = "xor", after = "*" }}\n'
        )

    def counts(self, mm: float) -> int:
        """Return the count at a position, without roll-over."""
        return round(_COUNTS_PER_MM * mm)

    def record(self, us: int, counts: tuple[int, ...], *, mark: bool) -> bytes:
        """Return the bytes of a record."""
        if self.form == "binary":
            time = struct.pack("<I", self.clock.at(us) % 2**32) if self.clock else b""
            return _frame(b"\xaa\x55", time + struct.pack(f"<{len(counts)}h", *counts))
        texts = [] if self.clock is None else [str(self.clock.at(us))]
        if self.form == "lengths":
            texts += [f"{count % _ROUND / _COUNTS_PER_MM:.2f}" for count in counts]
        else:
            texts += [str(count % (1 << self.bits) if self.bits else count) for count in counts]
        if self.mark_at is not None:
            texts.append(str(int(mark)))
        return _line(",".join(["P", *texts]))


@dataclass(frozen=True, kw_only=True)
class Gauge:
    """What gives the readings.

    Attributes:
        form: text lines, binary frames, A-scans, or text lines with the counts in them.
        clock: its own clock; None for none.
        period: µs from reading to reading.
        sequence: whether each record has a running number.
        amplitude: whether each record has an amplitude.
        holds: whether it repeats its last value without an echo, as if it had one.
        held_after: repeats after which its description has a value as held; None for none.
        port: as `Encoder.port`.
        on_port: further lines of its table.
        fails_on: text with which the code of its driver fails; empty for a driver that does not.
    """

    form: Literal["text", "binary", "ascan", "combined"] = "text"
    clock: Clock | None = Clock()
    period: int = 5_000
    sequence: bool = False
    amplitude: bool = False
    holds: bool = False
    held_after: int | None = None
    port: str = "socket://gauge:1"
    on_port: str = ""
    fails_on: str = ""

    def table(self, axes: tuple[str, ...]) -> str:
        """Return its table in a station file, with that of its A-scans."""
        head = f'[device.gauge]\nport = "{self.port}"\n{self.on_port}\n'
        if self.fails_on:
            sound = (
                replace(self, fails_on="", on_port="")
                .table(axes)
                .partition("[device.gauge.protocol]")
            )
            return (
                f'{head}driver = "invented_failing"\n[device.gauge.protocol]\non = "{self.fails_on}"\n'
                f"[device.gauge.protocol.protocol]{sound[2]}"
            )
        if self.form == "ascan":
            clock = '{ is = "device_time", type = "u2", unit = "us" }, ' if self.clock else ""
            return f"""{head}driver = "frames"
[device.gauge.protocol]
framing = {{ kind = "fixed", sync = [85, 170], length = {3 + 2 * (self.clock is not None) + SAMPLES} }}
checksum = {{ kind = "sum8" }}
fields = [
  {clock}{{ is = "waveform", type = "u1", samples = {SAMPLES}, interval = "0.1 us", start = "1 us", full_scale = 100, zero = 20 }},
]
[echo]
time_of_flight = "back wall"
[[echo.gate]]
name = "back wall"
start = "1.5 us"
width = "5 us"
threshold = "30 %"
measure = "peak"
"""
        if self.form == "binary":
            clock = '{ is = "device_time", type = "u4", unit = "us" }, ' if self.clock else ""
            number = '{ is = "sequence", type = "u1" }, ' if self.sequence else ""
            length = 2 + 4 * (self.clock is not None) + self.sequence + 4 + 1
            return f"""{head}driver = "frames"
[device.gauge.protocol]
framing = {{ kind = "fixed", sync = [85, 170], length = {length} }}
checksum = {{ kind = "sum8" }}
fields = [
  {clock}{number}{{ is = "time_of_flight", type = "u2", unit = "us", scale = 0.001 }},
  {{ is = "amplitude", type = "u1" }}, {{ is = "status", type = "u1", valid = [1], invalid = [0] }},
]
"""
        columns = ['{ is = "constant", text = "R" }']
        if self.clock:
            columns.append(self.clock.column)
        if self.sequence:
            columns.append('{ is = "sequence", wrap = 100 }')
        if self.form == "combined":
            columns += [f'{{ is = "counts", axis = "{axis}" }}' for axis in axes]
        held = "" if self.held_after is None else f", held_after = {self.held_after}"
        columns.append(f'{{ is = "time_of_flight", unit = "us", min = 0.0, max = 100.0{held} }}')
        if self.amplitude:
            columns.append('{ is = "amplitude", unit = "%" }')
        columns.append('{ is = "status", valid = ["E"], invalid = ["N"] }')
        return (
            f"{head}[device.gauge.protocol]\ncolumns = [{', '.join(columns)}]\n"
            f'checksum = {{ kind = "xor", after = "*" }}\n'
        )

    def record(
        self, us: int, number: int, wall: float | None, percent: float, counts: tuple[int, ...]
    ) -> bytes:
        """Return the bytes of a record.

        Args:
            us: when it was made.
            number: running number.
            wall: thickness, mm; None for no echo.
            percent: amplitude.
            counts: of the encoder, for combined records.
        """
        tof = 0.0 if wall is None else 2 * wall / VELOCITY + ZERO_OFFSET
        time = None if self.clock is None else self.clock.at(us)
        if self.form == "ascan":
            stamp = b"" if time is None else struct.pack("<H", time % 2**16)
            return _frame(b"\x55\xaa", stamp + _samples(wall and tof, percent))
        if self.form == "binary":
            stamp = b"" if time is None else struct.pack("<I", time % 2**32)
            stamp += bytes([number % 256]) * self.sequence
            values = struct.pack("<HBB", round(1000 * tof), round(percent), wall is not None)
            return _frame(b"\x55\xaa", stamp + values)
        texts = [] if time is None else [str(time)]
        if self.sequence:
            texts.append(str(number % 100))
        if self.form == "combined":
            texts += [str(count) for count in counts]
        texts.append(f"{tof:.4f}")
        if self.amplitude:
            texts.append(f"{percent:.1f}")
        texts.append("N" if wall is None else "E")
        return _line(",".join(["R", *texts]))


def _samples(tof: float | None, percent: float) -> bytes:
    """Return an A-scan with an echo at a time of flight, µs, or without one."""
    samples = bytearray([20] * SAMPLES)
    if tof is not None:
        at = min(max(round((tof - 1.0) / 0.1), 2), SAMPLES - 3)
        for off, share in ((-2, 0.3), (-1, 0.7), (0, 1.0), (1, 0.6), (2, 0.2)):
            samples[at + off] = 20 + round(percent * share)
    return bytes(samples)
