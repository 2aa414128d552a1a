"""Worlds: a motion, a wall, an encoder and a gauge, as a journal and its truth, from a seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from support.world.delivery import Arrivals, Delivery, deliver
from support.world.devices import VELOCITY, Device, Samples, Time, record_bytes, sample, table_of
from support.world.motion import Motion, line_profile, pipe, raster
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.station import Station, parse_station

__all__ = ["Layout", "Scene", "Truth", "World", "make_world", "standard_scene"]

Floats = NDArray[np.float64]

Layout = Literal["raster", "line", "pipe"]

START = 1_234_567_890_123
UTC = 1_800_000_000_000_000_000
COUNTS_PER_MM = 20.0
AROUND_MM = 360.0

Move = Callable[[np.random.Generator, tuple[float, float], int], Motion]
"""Returns a motion from chance, speeds and a number of lines."""

_PLANS: dict[Layout, tuple[str, int, Move]] = {
    "raster": (
        '[scan]\nlength = "400 mm"\nresolution = "2 mm"\ndevice = "encoder"\ncounts_per_mm = 20\n'
        '[index]\nlength = "72 mm"\nresolution = "6 mm"\ndevice = "encoder"\ncounts_per_mm = 20\n',
        13,
        lambda rng, speed, lines: raster(rng, speed, length=400.0, step=6.0, lines=lines),
    ),
    "line": (
        '[scan]\nlength = "800 mm"\nresolution = "1 mm"\ndevice = "encoder"\ncounts_per_mm = 20\n',
        1,
        lambda rng, speed, _: line_profile(rng, speed, length=800.0),
    ),
    "pipe": (
        f'[scan]\nmode = "wrapped"\nlength = "{AROUND_MM:g} mm"\nresolution = "2 mm"\n'
        'device = "encoder"\ncounts_per_mm = 20\n'
        '[index]\nlength = "30 mm"\nresolution = "5 mm"\ndevice = "encoder"\ncounts_per_mm = 20\n',
        7,
        lambda rng, speed, lines: pipe(rng, speed, around=AROUND_MM, step=5.0, lines=lines),
    ),
}


def _encoder() -> Device:
    way = Delivery(delay=0.011, jitter=0.004)
    return Device(time="clock", form="text", period=0.01, ppm=35.0, delivery=way)


def _gauge() -> Device:
    way = Delivery(delay=0.047, jitter=0.006)
    return Device(time="number", period=0.004, ppm=-60.0, delivery=way)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What happens in a world.

    Attributes:
        layout: plan and motion.
        speed: lowest and highest, mm/s.
        encoder, gauge: the devices.
        lines: scanned; all of the plan by default.
        holes: patches without echo.
        delays_known: whether the station file has the delays; else `delay_lines` of each device.
        delay_off: by how much the gauge's delay in the station file is too long, s.
        scale_off: share by which the encoder gives more counts than the station file says.
        scan: lines added to the scan axis.
        survey: lines added to the station file's first table.
        tables: lines added to its end.
        tick: s from tick to tick.
    """

    layout: Layout = "raster"
    speed: tuple[float, float] = (80.0, 300.0)
    encoder: Device = field(default_factory=_encoder)
    gauge: Device = field(default_factory=_gauge)
    lines: int | None = None
    holes: int = 3
    delays_known: bool = True
    delay_off: float = 0.0
    scale_off: float = 0.0
    scan: str = ""
    survey: str = ""
    tables: str = ""
    tick: float = 0.04


@dataclass(frozen=True, slots=True)
class Truth:
    """The gauge's samples as they truly were, shape (n,) each; also those that never arrived.

    Attributes:
        time: host time, ns.
        scan, index: position, mm.
        velocity: along the scan axis, mm/s.
        thickness: mm, of the wall there, without noise.
        echo: whether there was one.
        reached: whether a whole record of it arrived.
        offset: byte offsets of the records that arrived, rising, shape (m,).
        sample: the sample of each of these records, shape (m,).
        latency: mean time from sampling until the last byte is read, ns, by device.
    """

    time: NDArray[np.int64]
    scan: Floats
    index: Floats
    velocity: Floats
    thickness: Floats
    echo: NDArray[np.bool_]
    reached: NDArray[np.bool_]
    offset: NDArray[np.int64]
    sample: NDArray[np.int64]
    latency: dict[str, float]


@dataclass(frozen=True, slots=True)
class World:
    """A journal and its truth."""

    text: str
    station: Station
    entries: list[Entry]
    truth: Truth
    motion: Motion


def standard_scene(
    layout: Layout, time: Time, *, speed: tuple[float, float] | None = None, losses: bool = False
) -> Scene:
    """Return a scene of the standard table: a layout and the gauge's kind of time.

    Args:
        layout: plan and motion.
        time: kind of time of the gauge.
        speed: lowest and highest, mm/s; that of the layout by default.
        losses: whether frames are lost and doubled, the device restarts and its rate changes.
    """
    gauge = replace(_gauge(), time=time)
    if losses:
        gauge = replace(gauge, lost=0.005, doubled=0.003, corrupt=0.002, restarts=((6.0, 0.4),))
    return Scene(
        layout=layout,
        speed=speed or ((80.0, 300.0) if layout != "line" else (60.0, 280.0)),
        gauge=gauge,
    )


def make_world(scene: Scene, seed: int) -> World:
    """Return the world of a scene and a seed."""
    rng = np.random.default_rng([seed, *scene.layout.encode()])
    plan, lines, move = _PLANS[scene.layout]
    motion = move(rng, scene.speed, scene.lines or lines)
    text = _station_text(scene, plan.replace("[index]", f"{scene.scan}[index]"))
    entries: list[Entry] = []

    seen = sample(scene.encoder, motion.end, rng)
    axes = motion.at(seen.time)[: 1 if scene.layout == "line" else 2]
    scale = COUNTS_PER_MM * (1 + scene.scale_off)
    counts = [np.rint(scale * axis).astype(np.int64) for axis in axes]
    none = np.zeros(0)
    made = record_bytes(scene.encoder, seen, counts, none, none.astype(bool))
    arrivals, sent = _send("encoder", scene.encoder, seen, made, rng, entries)
    latency = {"encoder": 1e9 * float(np.mean(arrivals.read - seen.time[sent]))}

    read = sample(scene.gauge, motion.end, rng)
    scan, index = motion.at(read.time)
    wall = _Wall(rng, scene)
    thickness, echo = wall.at(scan, index)
    noisy = thickness + rng.normal(0.0, 0.03, thickness.shape)
    made = record_bytes(scene.gauge, read, [], 2 * noisy / VELOCITY, echo)
    arrivals, sent = _send("gauge", scene.gauge, read, made, rng, entries)
    latency["gauge"] = 1e9 * float(np.mean(arrivals.read - read.time[sent]))
    whole = arrivals.whole & ~read.corrupt[sent]
    reached = np.zeros(read.time.shape, bool)
    reached[sent[whole]] = True

    entries += [Tick(_host(at)) for at in np.arange(scene.tick, motion.end + 0.5, scene.tick)]
    entries.sort(key=lambda entry: entry.time)
    opened = {"survey": "s-1", "station": text, "versions": {}, "utc_ns": UTC}
    ended = {"status": "incomplete", "reason": ""}
    last = max(_host(motion.end + 2.0), entries[-1].time + 1)
    journal: list[Entry] = [Mark(START, MarkKind.OPENED, opened), *entries, Tick(last)]
    journal.append(Mark(last, MarkKind.ENDED, ended))
    truth = Truth(
        time=START + np.rint(read.time * 1e9).astype(np.int64),
        scan=scan,
        index=index if scene.layout != "line" else np.zeros_like(index),
        velocity=motion.velocity(read.time),
        thickness=thickness,
        echo=echo,
        reached=reached,
        offset=arrivals.offset[whole],
        sample=sent[whole],
        latency=latency,
    )
    return World(text, parse_station(text, "bench.toml"), journal, truth, motion)


def _host(seconds: float) -> int:
    return START + round(seconds * 1e9)


def _send(
    name: str,
    device: Device,
    samples: Samples,
    made: list[bytes],
    rng: np.random.Generator,
    entries: list[Entry],
) -> tuple[Arrivals, NDArray[np.int64]]:
    """Add a device's entries; return its arrivals, and the sample of each record that was sent."""
    sent = np.repeat(np.arange(samples.time.size), samples.copies)
    records = [made[k] for k in sent.tolist()]
    arrivals = deliver(samples.time[sent], records, device.delivery, rng)
    entries.append(PortChange(START + 1, name, "open", ""))
    for begin, seconds in device.delivery.unplugged:
        entries.append(PortChange(_host(begin), name, "lost", "unplugged"))
        entries.append(PortChange(_host(begin + seconds) - 1, name, "open", ""))
    entries += [Chunk(_host(time), name, data) for time, data in arrivals.chunks]
    return arrivals, sent


def _station_text(scene: Scene, plan: str) -> str:
    axes = ("scan",) if scene.layout == "line" else ("scan", "index")
    devices = []
    for name, device, counted, off in (
        ("encoder", scene.encoder, axes, 0.0),
        ("gauge", scene.gauge, (), scene.delay_off),
    ):
        one = device
        if scene.delays_known:
            line = f'delay = "{(device.delivery.delay + off) * 1e3:.6f} ms"\n'
            one = replace(device, on_purpose=device.on_purpose + line)
        devices.append(table_of(name, one, counted))
    return (
        f'name = "bench"\n[survey]\nfolder = "survey"\n{scene.survey}\n{plan}'
        f'[calibration]\nvelocity = "6 mm/us"\n{scene.tables}\n{"".join(devices)}'
    )


class _Wall:
    """A wall with waves, pits and patches without echo."""

    def __init__(self, rng: np.random.Generator, scene: Scene) -> None:
        self._wrapped = scene.layout == "pipe"
        length = {"raster": 400.0, "line": 800.0, "pipe": AROUND_MM}[scene.layout]
        self._waves = rng.uniform(0.0, 2 * np.pi, 6)
        self._pits = np.column_stack(
            (rng.uniform(0.0, length, 25), rng.uniform(3.0, 12.0, 25), rng.uniform(0.3, 2.0, 25))
        )
        begin = rng.uniform(0.0, length - 20.0, scene.holes)
        self._holes = np.column_stack((begin, begin + rng.uniform(3.0, 12.0, scene.holes)))
        self._rows = rng.integers(0, 13, scene.holes) * 6.0

    def at(self, scan: Floats, index: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Return thickness, mm, and whether there is an echo, shape (n,)."""
        if self._wrapped:
            scan = np.mod(scan, AROUND_MM)
        thickness = np.full(scan.shape, 12.0)
        for k, phase in enumerate(self._waves.tolist()):
            thickness += 0.15 * np.sin(2 * np.pi * scan * (k + 1) / 60.0 + phase + index / 40.0)
        for place, width, depth in self._pits.tolist():
            thickness -= depth * np.exp(-0.5 * ((scan - place) / (width / 2)) ** 2)
        echo = np.ones(scan.shape, bool)
        for (begin, end), row in zip(self._holes.tolist(), self._rows.tolist(), strict=True):
            echo &= ~((scan >= begin) & (scan < end) & (np.abs(index - row) < 4.0))
        return thickness, echo
