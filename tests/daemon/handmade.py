"""Journals made by hand: an exact motion, told as the bytes that two devices would have sent.

Both devices carry a millisecond clock of their own that runs with the host's, and every chunk
arrives exactly when its last line was made, so a pipeline must find every reading at the very
place where this file put it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import reduce

from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.pipeline import GapSnapshot, Pipeline
from swathe.station import Station, parse_station

MS = 1_000_000
"""ns in a millisecond."""

START = 10_000 * MS
"""Host time at which a first run begins, ns."""

UTC = 1_800_000_000_000_000_000
"""UTC at which a first run begins, ns."""

VELOCITY = 5.92
"""mm/µs, of the sample station."""

STATION = """\
name = "bench"
[survey]
folder = "bench"
{survey}
[scan]
length = "{scan_length} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
{scan}
{index}
{exclude}
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "ports/encoder"
{encoder}
[device.encoder.protocol]
columns = [{{is="constant", text="P"}}, {{is="device_time", unit="ms"}}, {positions}]
checksum = {{kind="xor", after="*"}}
[device.gauge]
port = "ports/gauge"
[device.gauge.protocol]
columns = [
  {{is="constant", text="R"}},
  {{is="device_time", unit="ms"}},
  {{is="time_of_flight", unit="us", min=0.0, max=100.0}},
  {{is="status", valid=["E"], invalid=["N"]}},
]
checksum = {{kind="xor", after="*"}}
"""

FREE = """
max_speed = "1e9 m/s"
max_acceleration = "1e12 m/s^2"
keeps_count = true
"""
"""Limits of an axis whose probe is somewhere else at once, after a silence or without one."""

INDEX_ENCODED = """\
[index]
length = "{length} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
"""

INDEX_STEPPED = """\
[index]
length = "{length} mm"
resolution = "1 mm"
mode = "stepped"
advance = "{advance}"
"""


def station_text(
    *,
    scan_length: float = 20,
    index: str = "",
    exclude: str = "",
    survey: str = "",
    scan: str = "",
    encoder: str = "",
    free: bool = True,
) -> str:
    """Return a station file with an encoder and a gauge on 115200 baud ports.

    Where `free`, an axis that has no limits of its own gets those of a probe that jumps.
    """
    if free and "max_" not in scan:
        scan += FREE
    if free and "max_" not in index and 'device = "encoder"' in index:
        index += FREE
    two = 'device = "encoder"' in index
    positions = '{is="counts", axis="scan"}' + (', {is="counts", axis="index"}' if two else "")
    return STATION.format(
        scan_length=scan_length,
        index=index,
        exclude=exclude,
        survey=survey,
        scan=scan,
        encoder=encoder,
        positions=positions,
    )


def station(text: str) -> Station:
    """Return the station that `text` describes."""
    return parse_station(text, "bench.toml")


def line(body: str) -> bytes:
    """Return a line with its checksum and terminator."""
    check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
    return f"{body}*{check:02X}\r\n".encode()


def opened(text: str, *, time: int = START, utc: int = UTC, survey: str = "s-1") -> Mark:
    """Return the mark that opens a run."""
    detail = {"survey": survey, "station": text, "versions": {}, "utc_ns": utc}
    return Mark(time, MarkKind.OPENED, detail)


def ended(time: int, status: str = "incomplete") -> Mark:
    """Return the mark that ends a run."""
    return Mark(time, MarkKind.ENDED, {"status": status, "reason": ""})


Place = Callable[[int], tuple[float, ...] | None]
"""Position in mm on each encoded axis after so many ms; None while the encoder is silent."""

Wall = Callable[[int], float | str | None]
"""Thickness in mm after so many ms; "N" for no echo; None while the gauge is silent."""


@dataclass(frozen=True)
class Motion:
    """What two devices sent from `first` to `last` ms after the start, ends included.

    Attributes:
        place: the probe's place.
        wall: what the gauge says.
        sample_ms: from encoder line to encoder line.
        reading_ms: from reading to reading.
        tick_ms: from tick to tick.
    """

    place: Place
    wall: Wall
    first: int
    last: int
    sample_ms: int = 5
    reading_ms: int = 5
    tick_ms: int = 50

    def entries(self) -> Iterator[Entry]:
        """Yield the journal's entries in order of time."""
        for ms in range(self.first, self.last + 1):
            time = START + ms * MS
            if ms % self.sample_ms == 0 and (at := self.place(ms)) is not None:
                counts = ",".join(str(round(10 * mm)) for mm in at)
                yield Chunk(time, "encoder", line(f"P,{ms},{counts}"))
            if ms % self.reading_ms == 0 and (wall := self.wall(ms)) is not None:
                if isinstance(wall, str):
                    yield Chunk(time, "gauge", line(f"R,{ms},0.000,{wall}"))
                else:
                    yield Chunk(time, "gauge", line(f"R,{ms},{2 * wall / VELOCITY:.6f},E"))
            if ms % self.tick_ms == 0:
                yield Tick(time)


def ticks(first: int, last: int, step: int = 50) -> Iterator[Tick]:
    """Yield ticks from `first` to `last` ms after the start."""
    for ms in range(first, last + 1, step):
        yield Tick(START + ms * MS)


def port(ms: int, name: str, state: str, detail: str = "") -> PortChange:
    """Return a change of a port's state, `ms` after the start."""
    return PortChange(START + ms * MS, name, state, detail)


def run(text: str, *parts: Iterable[Entry]) -> Pipeline:
    """Return a pipeline that was fed the opening mark and then `parts`."""
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    for part in parts:
        feed(pipeline, part)
    return pipeline


def feed(pipeline: Pipeline, entries: Iterable[Entry]) -> None:
    """Feed entries, and compute what they determine twice a second and at the last tick.

    No result depends on when that is done (`tests/daemon/pipeline/test_cuts.py`), and it is most of the time
    that feeding takes.
    """
    journal = list(entries)
    last = max((at for at, entry in enumerate(journal) if isinstance(entry, Tick)), default=None)
    due: int | None = None
    for at, entry in enumerate(journal):
        pipeline.collect(entry)
        if isinstance(entry, Tick) and (at == last or due is None or entry.time >= due):
            pipeline.advance()
            due = entry.time + 500 * MS
    pipeline.take_gap_snapshots()


def feed_noting(pipeline: Pipeline, entries: Iterable[Entry]) -> list[tuple[int, GapSnapshot]]:
    """Feed entries one by one; return each change of a gap with the ms at which it was published."""
    found = []
    for entry in entries:
        pipeline.feed(entry)
        found += [((entry.time - START) // MS, note) for note in pipeline.take_gap_snapshots()]
    return found
