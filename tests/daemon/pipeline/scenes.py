"""Scenes: surveys as journals, each made of its description and a seed.

A scene is a motion over a small grid, the devices that follow it, how their bytes arrive, and what
operators and ports do meanwhile. The same description and seed give the same journal; another seed
gives other speeds, defects, delays, cuts and ticks. Times in a journal never fall within a run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any, Literal

from daemon.pipeline.scene_delivery import Manner, delivered
from daemon.pipeline.scene_devices import Encoder, Gauge
from daemon.pipeline.scene_polled import PolledGauge
from swathe.journal import Entry, Mark, MarkKind, PortChange, Sent, Tick

__all__ = ["MS", "UTC", "Scene", "check", "check_in_run", "mark", "text_of"]

US = 1_000
MS = 1_000_000
S = 1_000_000_000

START = 1_234_567_890_123
"""Host time at which a scene begins, ns."""

UTC = 1_800_000_000_000_000_000
"""UTC of the start, ns."""

SCAN_MM, INDEX_MM, LINE_MM = 40.0, 20.0, 5.0

Place = tuple[float, float]
Region = tuple[float, float, float, float]
"""Scan from and to, index from and to, mm."""

Waypoints = Callable[[Random], list[tuple[float, float, float]]]
"""Returns (seconds, scan mm, index mm), rising in time; between two the probe moves evenly."""


def serpentine(speed: float = 60.0, lines: int = 5, rest: float = 0.5) -> Waypoints:
    """Return a raster that scans every other line backwards, and a rest at its end."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, points = 0.2, [(0.0, -3.0, 0.0), (0.2, -3.0, 0.0)]
        for line in range(lines):
            ends = (-3.0, SCAN_MM + 3.0) if line % 2 == 0 else (SCAN_MM + 3.0, -3.0)
            if line:
                at += 0.1
                points.append((at, ends[0], line * LINE_MM))
            at += (SCAN_MM + 6.0) / (speed * rng.uniform(0.8, 1.3))
            points.append((at, ends[1], line * LINE_MM))
        return [*points, (at + rest, *points[-1][1:])]

    return waypoints


def halves(speed: float = 60.0, lines: int = 4, rest: float = 2.6) -> Waypoints:
    """Return a raster of the left half of all lines, then of the right one, and a rest at its end."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, points = 0.2, [(0.0, -3.0, 0.0), (0.2, -3.0, 0.0)]
        for low, high in ((-3.0, SCAN_MM / 2), (SCAN_MM / 2 + 4.0, SCAN_MM + 3.0)):
            for line in range(lines):
                ends = (low, high) if line % 2 == 0 else (high, low)
                at += 0.2
                points.append((at, ends[0], line * LINE_MM))
                at += (high - low) / (speed * rng.uniform(0.8, 1.3))
                points.append((at, ends[1], line * LINE_MM))
        return [*points, (at + rest, *points[-1][1:])]

    return waypoints


def returning(speed: float = 60.0, lines: int = 4, rest: float = 0.5) -> Waypoints:
    """Return a raster that goes back to the start after each line."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, points = 0.2, [(0.0, -2.0, 0.0), (0.2, -2.0, 0.0)]
        for line in range(lines):
            at += (SCAN_MM + 4.0) / (speed * rng.uniform(0.8, 1.3))
            points.append((at, SCAN_MM + 2.0, line * LINE_MM))
            if line + 1 < lines:
                at += 0.25
                points.append((at, -1.0, line * LINE_MM))
        return [*points, (at + rest, *points[-1][1:])]

    return waypoints


def by_hand(lines: int = 4) -> Waypoints:
    """Return lines that begin at either end, with stands and small motions between them."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, scan, points = 0.3, 0.0, [(0.0, 0.0, 0.0), (0.3, 0.0, 0.0)]
        for line in range(lines):
            far = SCAN_MM - scan if rng.random() < 0.8 else rng.uniform(15.0, 25.0)
            for target in (far * 0.6 + scan * 0.4, far * 0.5 + scan * 0.5, far):
                at += abs(target - scan) / rng.uniform(50.0, 90.0) + 0.02
                scan = target
                points.append((at, scan, line * LINE_MM))
            for _ in range(3):  # it is moved over
                at += rng.choice((0.05, 0.2, 0.5))
                points.append((at, scan + rng.choice((0.0, 0.4, -0.9)), line * LINE_MM))
            at += 0.1
            points.append((at, scan, (line + 1) * LINE_MM))
        return [*points, (at + 0.5, *points[-1][1:])]

    return waypoints


def around(turns: float = 3.0, seconds: float = 2.5) -> Waypoints:
    """Return a helix round a pipe, both ways."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        far = turns * SCAN_MM * rng.uniform(0.8, 1.1)
        return [
            (0.0, 5.0, 0.0),
            (0.2, 5.0, 0.0),
            (seconds, far, INDEX_MM),
            (seconds + 0.8, far - 1.4 * SCAN_MM, INDEX_MM - 4.0),
            (seconds + 1.2, far - 1.4 * SCAN_MM, INDEX_MM - 4.0),
        ]

    return waypoints


def dithering(seconds: float = 3.0) -> Waypoints:
    """Return a motion by hand: forwards, backwards and rests at random."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, scan, index = 0.2, 2.0, 1.0
        points = [(0.0, scan, index), (at, scan, index)]
        while at < seconds:
            at += rng.uniform(0.05, 0.4)
            if rng.random() < 0.7:
                scan = min(max(scan + rng.uniform(-14.0, 20.0), -4.0), SCAN_MM + 4.0)
                index = min(max(index + rng.uniform(-1.0, 3.0), -1.0), INDEX_MM + 1.0)
            points.append((at, scan, index))
        return points

    return waypoints


def passes(seconds: float) -> Waypoints:
    """Return one line to and fro, a pass every two seconds or so."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        at, far, points = 0.0, False, [(0.0, 0.0, 0.0)]
        while at < seconds:
            at, far = at + rng.uniform(1.5, 2.5), not far
            points.append((at, SCAN_MM if far else 0.0, 0.0))
        return points

    return waypoints


def rested(rest: float, seconds: float) -> Waypoints:
    """Return a rest, and then passes along one line."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        after = passes(seconds)(rng)
        return [(0.0, 0.0, 0.0), *((rest + at, scan, index) for at, scan, index in after)]

    return waypoints


def slow(seconds: float) -> Waypoints:
    """Return one line forth and the next one back, slowly."""

    def waypoints(rng: Random) -> list[tuple[float, float, float]]:
        half = seconds * rng.uniform(0.4, 0.6)
        return [(0.0, -2.0, 0.0), (half, SCAN_MM + 2.0, 0.0), (seconds, 1.0, LINE_MM)]

    return waypoints


@dataclass(frozen=True)
class Check:
    """A calibration check: when it is made, and by how much the block is read wrong.

    One in a run pauses that, a hand carries the probe to the block, and a step is read twice.
    """

    at: float
    off: float
    override_at: float | None = None
    in_run: bool = False
    given_up: bool = False

    @property
    def steps(self) -> Sequence[tuple[float, float, float]]:
        """Steps as (thickness mm, begin s, end s)."""
        return ((12.0, self.at + 0.02, self.at + 0.12), (5.0, self.at + 0.14, self.at + 0.24))

    @property
    def end(self) -> float:
        """When it ends, s."""
        return self.at + 0.26


def check(at: float, off: float, override_at: float | None = None) -> Check:
    """Return a check `at` s after the start, read wrong by `off` mm (it fails beyond 0.1 mm)."""
    return Check(at, off, override_at)


def check_in_run(at: float, off: float, *, given_up: bool = False) -> Check:
    """Return a check in a run that scans; see `check`."""
    return Check(at, off, in_run=True, given_up=given_up)


Event = tuple[float, MarkKind, dict[str, Any]]


def mark(at: float, kind: MarkKind, **detail: Any) -> Event:
    """Return a mark `at` s after the start."""
    return at, kind, detail


@dataclass(frozen=True)
class Restart:
    """A run ends and the next one begins.

    Attributes:
        at: s after the start.
        status: of the run that ends; None when it is killed without an end.
        away: s until the next run.
        purpose: of the next run.
        rebooted: whether the host's clock begins again.
    """

    at: float
    status: str | None = "incomplete"
    away: float = 0.6
    purpose: Literal["scan", "check"] = "scan"
    rebooted: bool = False


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A survey; all times are s after its start, and jitter by a few ms with the seed.

    Attributes:
        name: of the scene.
        motion: of the probe.
        index: how the index position is known; ``none`` for a line profile.
        encoder, gauge: the devices.
        second: a second encoder of the scan axis; the first one's wheel may slip.
        second_index: whether it is one of the index axis, too.
        delivery: how bytes arrive, by port; any other port is prompt.
        tick_ms: shortest and longest time between two ticks, ms.
        survey, scan, index_lines, tables: lines added to the station file.
        holes: regions without echo until a time, s.
        thin: regions of 2 mm, which wear by the second.
        spurious: share of readings that are doubled, halved, a cycle off, noise or impossible.
        corrupt: share of records with a wrong byte.
        dropped: share of readings that are not sent.
        silent: (port, from, to): the device sends nothing.
        lost: (port, from, to): the port is lost, and opened again.
        unanswered: times at which a request of the gauge has no answer.
        checks: calibration checks.
        marks: what operators and a crawler do.
        restarts: where a run ends and another one begins.
        ended: whether the last run ends in good order.
        station: a whole station file in place of one that follows from the rest.
        record: calibration record in force, in place of a velocity of the station file.
    """

    name: str
    motion: Waypoints = field(default_factory=serpentine)
    index: Literal["encoded", "wrapped", "command", "return", "either end", "none"] = "encoded"
    encoder: Encoder = field(default_factory=Encoder)
    gauge: Gauge = field(default_factory=Gauge)
    second: Encoder | None = None
    second_index: bool = False
    delivery: Mapping[str, Manner] = field(default_factory=dict)
    tick_ms: tuple[int, int] = (20, 20)
    survey: str = ""
    scan: str = ""
    index_lines: str = ""
    tables: str = ""
    holes: tuple[tuple[Region, float], ...] = (((8.0, 14.0, -3.0, 7.5), 99.0),)
    thin: tuple[Region, ...] = ()
    spurious: float = 0.0
    corrupt: float = 0.0
    dropped: float = 0.0
    silent: tuple[tuple[str, float, float], ...] = ()
    lost: tuple[tuple[str, float, float], ...] = ()
    unanswered: tuple[float, ...] = ()
    checks: tuple[Check, ...] = ()
    marks: tuple[Event, ...] = ()
    restarts: tuple[Restart, ...] = ()
    ended: bool = True
    station: str = ""
    record: dict[str, Any] | None = None

    def journal(self, seed: int) -> list[Entry]:
        """Return the journal of the scene."""
        return list(_Take(self, Random(f"{self.name} {seed}")).entries())


def text_of(scene: Scene) -> str:
    """Return the station file of a scene."""
    if scene.station:
        return scene.station
    two = scene.index in ("encoded", "wrapped")
    axes = ("scan", "index") if two else ("scan",)
    combined = scene.gauge.form == "combined"
    source = "gauge" if combined else "encoder"
    scale = "" if scene.encoder.form == "lengths" else "counts_per_mm = 10\n"
    index = ""
    if scene.index != "none":
        index = f'[index]\nlength = "{INDEX_MM} mm"\nresolution = "{LINE_MM} mm"\n'
        if two:
            wrapped = 'mode = "wrapped"\n' if scene.index == "wrapped" else ""
            index += f'{wrapped}device = "{source}"\n{scale}{scene.index_lines}\n'
            if scene.second is not None and scene.second_index:
                index += '[index.second]\ndevice = "second"\ncounts_per_mm = 10\n'
                index += 'tolerance = "1.5 mm"\n'
        else:
            index += f'mode = "stepped"\nadvance = "{scene.index}"\n'
    encoder = "" if combined else scene.encoder.table("encoder", axes)
    second, table = "", ""
    if scene.second is not None:
        second = '[scan.second]\ndevice = "second"\ncounts_per_mm = 10\ntolerance = "2 mm"\n'
        table = scene.second.table("second", axes if scene.second_index else ("scan",))
    calibration = 'velocity = "6 mm/us"\nzero_offset = "0.5 us"'
    if scene.record is not None:
        calibration = 'file = "calibration.json"'
    return f"""name = "bench"
[survey]
folder = "survey"
{scene.survey}
[scan]
length = "{SCAN_MM} mm"
resolution = "1 mm"
device = "{source}"
{scale}{scene.scan}
{second}{index}
[calibration]
{calibration}
[verification]
steps = ["12 mm", "5 mm"]
tolerance = "0.1 mm"
interval = "2 s"
[alarms]
coupling_lost = "200 ms"
too_fast = "150 ms"
port_lost = "150 ms"
{scene.tables}
{encoder}{table}{scene.gauge.table(axes)}"""


class _Take:
    """One journal of a scene.

    Args:
        scene: what happens.
        rng: source of chance.
    """

    def __init__(self, scene: Scene, rng: Random) -> None:
        self.scene = scene
        self.rng = rng
        self.text = text_of(scene)
        self.points = scene.motion(rng)
        self.end = round(self.points[-1][0] * 1e6)
        self.two = scene.index in ("encoded", "wrapped")
        self.slow = rng.uniform(0.9, 1.1)
        self.streams = dict(self._streams())

    def entries(self) -> Iterator[Entry]:
        """Yield the journal."""
        scene = self.scene
        begin, shift = 0, START
        for number, restart in enumerate((*scene.restarts, None)):
            end = self.end if restart is None else round(restart.at * 1e6)
            before = scene.restarts[number - 1] if number else None
            yield from self._run(begin, end, shift, before)
            if restart is None:
                if scene.ended:
                    detail = {"status": "incomplete", "reason": ""}
                    yield Mark(shift + end * US, MarkKind.ENDED, detail)
                return
            if restart.status is not None:
                detail = {"status": restart.status, "reason": ""}
                yield Mark(shift + end * US, MarkKind.ENDED, detail)
            begin = end + round(restart.away * 1e6)
            if restart.rebooted:
                shift = START // 9 - begin * US

    def _run(self, begin: int, end: int, shift: int, before: Restart | None) -> Iterator[Entry]:
        """Yield the entries of one run, without its end."""
        detail: dict[str, Any] = {
            "survey": "s-1",
            "station": self.text,
            "versions": {},
            "utc_ns": UTC + begin * US,
            "purpose": "scan" if before is None else before.purpose,
        }
        if self.scene.record is not None:
            detail["calibration"] = self.scene.record
        yield Mark(shift + begin * US, MarkKind.OPENED, detail)
        entries: list[Entry] = []
        for port, made in self.streams.items():
            entries.append(PortChange(shift + (begin + 1_500) * US, port, "open", ""))
            sent = [(shift + us * US, data) for us, data in made if begin <= us < end]
            manner = self.scene.delivery.get(port, "prompt")
            entries += self._through_port(port, delivered(port, sent, manner, self.rng), shift)
        if isinstance(self.scene.gauge, PolledGauge):
            entries += self._polled(self.scene.gauge, begin, end, shift)
        entries += self._ticks(begin, end, shift)
        entries += self._marks(shift)
        entries += [
            Sent(shift + round(at * S), "gauge", b"?", True) for at in self.scene.unanswered
        ]
        first, last = shift + begin * US, shift + end * US
        # A mark and a tick of one time keep the order in which they were added.
        yield from sorted(
            (entry for entry in entries if first < entry.time <= last), key=lambda entry: entry.time
        )

    def _through_port(self, port: str, made: Sequence[Entry], shift: int) -> list[Entry]:
        """Return the entries of a port while it is open, and its changes."""
        entries = list(made)
        for name, begin, end in self.scene.lost:
            if name == port:
                first, last = shift + round(begin * S), shift + round(end * S)
                entries = [entry for entry in entries if not first < entry.time <= last]
                entries += [
                    PortChange(first, port, "lost", "unplugged"),
                    PortChange(last, port, "open", ""),
                ]
        return sorted(entries, key=lambda entry: entry.time)

    def _polled(self, gauge: PolledGauge, begin: int, end: int, shift: int) -> list[Entry]:
        """Return the exchange with a polled gauge in one run."""
        opened = shift + (begin + 1_500) * US
        entries = gauge.exchange(
            lambda time: self._wall((time - shift) // US),
            self.rng,
            opened,
            shift + end * US,
            self.text,
        )
        opens = PortChange(opened, "gauge", "open", "")
        return [opens, *self._through_port("gauge", entries, shift)]

    def _ticks(self, begin: int, end: int, shift: int) -> Iterator[Tick]:
        at = begin
        low, high = self.scene.tick_ms
        while at < end:
            at = min(at + self.rng.randint(low * 1_000, high * 1_000), end)
            yield Tick(shift + at * US)

    def _marks(self, shift: int) -> Iterator[Mark]:
        for at, kind, detail in self.scene.marks:
            yield Mark(shift + self._jittered(at), kind, detail)
        if self.scene.index == "command":
            previous = 0.0
            for seconds, _, index in self.points:
                if index != previous:
                    line = {"line": round(index / LINE_MM), "by": "operator"}
                    yield Mark(shift + round(seconds * S) - 20 * MS, MarkKind.LINE, line)
                previous = index
        for number, one in enumerate(self.scene.checks, 1):
            started: dict[str, Any] = {
                "phase": "interval",
                "by": "K",
                "tolerance": 0.1,
                "block": "B",
            }
            begun, ended = shift + round(one.at * S), shift + round(one.end * S)
            if one.in_run:
                yield Mark(begun, MarkKind.PAUSED, {"by": "K", "because": "check"})
                started["off_part"] = True
            yield Mark(begun, MarkKind.CHECK_BEGUN, started)
            for k, (thickness, begin, end) in enumerate((*one.steps, *one.steps[1:])):
                if k == len(one.steps) and not one.in_run:
                    break
                times = {"begin": shift + round(begin * S), "end": shift + round(end * S)}
                step = {"thickness": thickness, **times}
                step |= {"step": min(k + 1, len(one.steps))} if one.in_run else {}
                yield Mark(times["end"] + (2 + k) * MS, MarkKind.CHECK_STEP, step)
            if one.given_up:
                yield Mark(ended, MarkKind.CHECK_GIVEN_UP, {"by": "K", "because": "no couplant"})
            else:
                yield Mark(ended, MarkKind.CHECK_ENDED, {})
            if one.in_run:
                yield Mark(ended, MarkKind.RESUMED, {"by": "K"})
            if one.override_at is not None:
                override = {"check": number, "by": "B", "because": "wrong step"}
                at = shift + self._jittered(one.override_at)
                yield Mark(at, MarkKind.CHECK_OVERRIDDEN, override)

    def _jittered(self, seconds: float) -> int:
        return round(seconds * S) + self.rng.randrange(0, 30) * MS // 4

    # --- what the devices send

    def _streams(self) -> Iterator[tuple[str, list[tuple[int, bytes]]]]:
        scene = self.scene
        if scene.gauge.form != "combined":
            yield "encoder", list(self._faulty("encoder", self._encoder(scene.encoder)))
        if scene.second is not None:
            number = 2 if scene.second_index else 1
            yield "second", list(self._faulty("second", self._encoder(scene.second, axes=number)))
        if not isinstance(scene.gauge, PolledGauge):
            yield "gauge", list(self._faulty("gauge", self._gauge(scene.gauge)))

    def _faulty(
        self, port: str, records: Iterable[tuple[int, bytes]]
    ) -> Iterator[tuple[int, bytes]]:
        """Yield the records without those of a silent device, some with a wrong byte."""
        silent = [(begin, end) for name, begin, end in self.scene.silent if name == port]
        for us, data in records:
            if any(begin <= us * 1e-6 < end for begin, end in silent):
                continue
            if self.rng.random() < self.scene.corrupt:
                at = self.rng.randrange(len(data))
                yield (
                    us,
                    data[:at] + bytes([data[at] ^ 1 << self.rng.randrange(7)]) + data[at + 1 :],
                )
            else:
                yield us, data

    def _times(self, period: int) -> Iterator[int]:
        us = self.rng.randrange(period)
        while us < self.end:
            yield us
            us += period + self.rng.randrange(-(period // 20), period // 20 + 1)

    def _place(self, us: int) -> Place:
        seconds = us * 1e-6
        for before, after in zip(self.points, self.points[1:], strict=False):
            if seconds <= after[0]:
                share = (seconds - before[0]) / (after[0] - before[0])
                return (
                    before[1] + share * (after[1] - before[1]),
                    before[2] + share * (after[2] - before[2]),
                )
        return self.points[-1][1:]

    def _counts(self, encoder: Encoder, us: int, axes: int) -> tuple[int, ...]:
        if encoder.stuck is not None:
            us = min(us, round(encoder.stuck * 1e6))
        place = list(self._place(us)[:axes])
        if encoder.wheel_slip and us > self.end // 2:
            place = [mm - encoder.wheel_slip for mm in place]
        return tuple(encoder.counts(mm) for mm in place)

    def _with_glitch(self, encoder: Encoder, counts: tuple[int, ...]) -> tuple[int, ...]:
        if self.rng.random() < encoder.glitches:
            return counts[0] + self.rng.choice((-900, 700, 1500)), *counts[1:]
        return counts

    def _encoder(self, encoder: Encoder, axes: int | None = None) -> Iterator[tuple[int, bytes]]:
        axes = axes or (2 if self.two else 1)
        before: tuple[int, ...] = ()
        for us in self._times(encoder.period):
            counts = self._counts(encoder, us, axes)
            if encoder.on_change and counts == before:
                continue
            passed = encoder.counts(encoder.mark_at) if encoder.mark_at is not None else None
            on_mark = bool(before) and passed is not None and before[0] < passed <= counts[0]
            before = counts
            sent = self._with_glitch(encoder, counts)
            yield us, encoder.record(us, sent, mark=on_mark)

    def _gauge(self, gauge: Gauge) -> Iterator[tuple[int, bytes]]:
        rng, last = self.rng, None
        for number, us in enumerate(self._times(gauge.period)):
            wall = self._wall(us)
            if wall is None and gauge.holds:
                wall = last
            last = wall
            if rng.random() < self.scene.dropped:
                continue
            encoder = self.scene.encoder
            counts = self._with_glitch(encoder, self._counts(encoder, us, 2 if self.two else 1))
            yield us, gauge.record(us, number, wall, rng.uniform(40.0, 70.0), counts)

    def _wall(self, us: int) -> float | None:
        """Return the thickness under the probe, with noise; None where there is no echo."""
        seconds = us * 1e-6
        noise = self.rng.gauss(0.0, 0.02)
        for one in self.scene.checks:
            for thickness, begin, end in one.steps:
                if begin <= seconds <= end:
                    return thickness + one.off + noise / 4
        scan, index = self._place(us)
        if not self.two:
            index = round(index / LINE_MM) * LINE_MM
        if "wrapped" in self.scene.scan:
            scan %= SCAN_MM
        for region, until in self.scene.holes:
            if seconds < until and _within(scan, index, region):
                return None
        if any(_within(scan, index, region) for region in self.scene.thin):
            return 2.0 - 0.1 * seconds + noise
        return self._read(9.0 + 0.02 * scan * self.slow + noise)

    def _read(self, wall: float) -> float:
        """Return what is read of a wall, mm: now and then something else."""
        if self.scene.spurious and self.rng.random() < self.scene.spurious:
            odd = (2 * wall, wall / 2, wall + 0.6, wall - 0.6, self.rng.uniform(1, 8), 60.0)
            return self.rng.choice(odd)
        return wall


def _within(scan: float, index: float, region: Region) -> bool:
    return region[0] <= scan < region[1] and region[2] <= index < region[3]
