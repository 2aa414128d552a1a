"""Simulated devices: when they sample, what they number, and the bytes that they send.

Each has one kind of time: a clock of its own, a running number, a steady rate without either, or
none of these.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import reduce
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from support.world.delivery import Delivery

__all__ = ["VELOCITY", "Device", "Samples", "Time", "record_bytes", "sample", "table_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Time = Literal["clock", "number", "steady", "irregular"]
VELOCITY = 6.0
"""mm/µs."""

_TICK = 1e-6
"""Resolution of a device's clock, s."""


@dataclass(frozen=True, kw_only=True)
class Device:
    """A device.

    Attributes:
        time: its kind of time.
        form: binary frames or lines of text.
        period: from record to record, s.
        ppm: by which its oscillator is slow.
        bits: of the running number; it starts again at 2**bits.
        known: whether the station file has its period or rate.
        rates: (at s, period): its period changes.
        restarts: (at s, seconds off): number and clock start again.
        lost: share of records that are never sent.
        doubled: share of records that are sent twice.
        corrupt: share of records with a wrong byte.
        delivery: how its records arrive.
        on_purpose: lines added to its table in the station file.
    """

    time: Time = "clock"
    form: Literal["binary", "text"] = "binary"
    period: float = 0.004
    ppm: float = 0.0
    bits: int = 16
    known: bool = True
    rates: tuple[tuple[float, float], ...] = ()
    restarts: tuple[tuple[float, float], ...] = ()
    lost: float = 0.0
    doubled: float = 0.0
    corrupt: float = 0.0
    delivery: Delivery = field(default_factory=Delivery)
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class Samples:
    """What a device samples, shape (n,) each; also what it is off for, or loses.

    Attributes:
        time: true time, s.
        number: running number, without roll-over.
        clock: what its clock shows, µs, without roll-over.
        copies: how often each record is sent: 0, 1 or 2.
        corrupt: whether a byte of it is wrong.
    """

    time: Floats
    number: Ints
    clock: Ints
    copies: Ints
    corrupt: Bools


def sample(device: Device, end: float, rng: np.random.Generator) -> Samples:
    """Return what a device samples until `end`, s."""
    times = _times(device, end, rng)
    number = np.arange(times.size) + int(rng.integers(0, 1 << device.bits))
    begin = -float(rng.uniform(1.0, 3000.0))
    shown = times - begin
    off = np.zeros(times.shape, bool)
    for at, seconds in device.restarts:
        off |= (times >= at) & (times < at + seconds)
        after = times >= at + seconds
        number = np.where(after, np.cumsum(after), number)
        shown = np.where(after, times - at - seconds, shown)
    chance = rng.random((3, times.size))
    copies = np.where(off | (chance[0] < device.lost), 0, 1 + (chance[1] < device.doubled))
    clock = np.rint(shown * (1 - device.ppm * 1e-6) / _TICK).astype(np.int64)
    return Samples(times, number, clock, copies, chance[2] < device.corrupt)


def _times(device: Device, end: float, rng: np.random.Generator) -> Floats:
    pieces: list[Floats] = []
    begin, period = float(rng.uniform(0.0, device.period)), device.period
    changes = [(at, following) for at, following in device.rates if at < end]
    for at, following in (*changes, (end, device.period)):
        step = period * (1 + device.ppm * 1e-6)
        if device.time == "irregular":
            count = int(2 * (at - begin) / step) + 50
            steps = step * (0.25 + rng.exponential(0.75, count))
            times = begin + np.cumsum(steps) - steps[0]
            times = times[times < at]
        else:
            times = np.arange(begin, at, step)
        pieces.append(times)
        period = following
        begin = float(times[-1]) + period
    return np.concatenate(pieces)


def table_of(name: str, device: Device, axes: tuple[str, ...] = ()) -> str:
    """Return a device's table in a station file; `axes` of an encoder, none for a gauge."""
    way = device.delivery
    port = f"/dev/{name}" if way.baud else f"socket://{name}:1"
    head = f'[device.{name}]\nport = "{port}"\nbaud = {way.baud or 115_200}\n{device.on_purpose}'
    if device.time == "steady" and device.known:
        head += f'rate = "{1 / device.period:g} Hz"\n'
    period = f', period = "{device.period * 1e3:g} ms"' if device.known else ""
    if device.form == "text":
        columns = [f'{{ is = "constant", text = "{"P" if axes else "R"}" }}']
        if device.time == "clock":
            columns.append('{ is = "device_time", unit = "us" }')
        if device.time == "number":
            columns.append(f'{{ is = "sequence", wrap = {1 << device.bits}{period} }}')
        columns += [f'{{ is = "counts", axis = "{axis}" }}' for axis in axes]
        if not axes:
            columns += [
                '{ is = "time_of_flight", unit = "us" }',
                '{ is = "status", valid = ["E"], invalid = ["N"] }',
            ]
        joined = ", ".join(columns)
        return (
            f"{head}[device.{name}.protocol]\ncolumns = [{joined}]\n"
            'checksum = { kind = "xor", after = "*" }\n'
        )
    fields = []
    if device.time == "clock":
        fields.append('{ is = "device_time", type = "u4", unit = "us" }')
    if device.time == "number":
        fields.append(f'{{ is = "sequence", type = "u{device.bits // 8}"{period} }}')
    fields += [f'{{ is = "counts", type = "i4", axis = "{axis}" }}' for axis in axes]
    if not axes:
        fields += [
            '{ is = "time_of_flight", type = "u2", unit = "us", scale = 0.001 }',
            '{ is = "status", type = "u1", valid = [1], invalid = [0] }',
        ]
    length = 2 + _dtype(device, len(axes)).itemsize + 1
    return (
        f'{head}driver = "frames"\n[device.{name}.protocol]\n'
        f'framing = {{ kind = "fixed", sync = [170, 85], length = {length} }}\n'
        f'checksum = {{ kind = "sum8" }}\nfields = [{", ".join(fields)}]\n'
    )


def _dtype(device: Device, axes: int) -> np.dtype[np.void]:
    columns: list[tuple[str, str]] = []
    if device.time == "clock":
        columns.append(("clock", "<u4"))
    if device.time == "number":
        columns.append(("number", f"<u{device.bits // 8}"))
    columns += [(f"axis{k}", "<i4") for k in range(axes)]
    if not axes:
        columns += [("tof", "<u2"), ("status", "u1")]
    return np.dtype(columns)


def record_bytes(
    device: Device, samples: Samples, counts: list[Ints], tof: Floats, valid: Bools
) -> list[bytes]:
    """Return the bytes of each record, shape (n,).

    Args:
        device: which sends them.
        samples: when.
        counts: of each axis, of an encoder; empty for a gauge.
        tof: time of flight, µs.
        valid: whether there is an echo.
    """
    if device.form == "text":
        made = _lines(device, samples, counts, tof, valid)
    else:
        made = _frames(device, samples, counts, tof, valid)
    for k in np.flatnonzero(samples.corrupt).tolist():
        record = bytearray(made[k])
        record[len(record) // 2] ^= 1
        made[k] = bytes(record)
    return made


def _frames(
    device: Device, samples: Samples, counts: list[Ints], tof: Floats, valid: Bools
) -> list[bytes]:
    values = np.zeros(samples.time.size, _dtype(device, len(counts)))
    if device.time == "clock":
        values["clock"] = samples.clock % (1 << 32)
    if device.time == "number":
        values["number"] = samples.number % (1 << device.bits)
    for k, axis in enumerate(counts):
        values[f"axis{k}"] = axis
    if not counts:
        values["tof"] = np.where(valid, np.rint(1000 * tof), 0)
        values["status"] = valid
    body = values.view(np.uint8).reshape(values.size, -1)
    sync = np.tile(np.array([0xAA, 0x55], np.uint8), (values.size, 1))
    body = np.concatenate((sync, body), axis=1)
    check = (body.sum(axis=1, dtype=np.int64) % 256).astype(np.uint8)
    return [bytes(row) for row in np.concatenate((body, check[:, None]), axis=1)]


def _lines(
    device: Device, samples: Samples, counts: list[Ints], tof: Floats, valid: Bools
) -> list[bytes]:
    columns: list[list[str]] = [["P" if counts else "R"] * samples.time.size]
    if device.time == "clock":
        columns.append([str(value) for value in samples.clock.tolist()])
    if device.time == "number":
        columns.append([str(n) for n in (samples.number % (1 << device.bits)).tolist()])
    columns += [[str(count) for count in axis.tolist()] for axis in counts]
    if not counts:
        columns.append([f"{value:.4f}" for value in np.where(valid, tof, 0.0).tolist()])
        columns.append(["E" if one else "N" for one in valid.tolist()])
    return [_line(",".join(texts)) for texts in zip(*columns, strict=True)]


def _line(body: str) -> bytes:
    check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
    return f"{body}*{check:02X}\r\n".encode()
