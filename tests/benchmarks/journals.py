"""Survey folders for the benchmarks, as a live daemon journals them, made fast.

A probe follows a serpentine raster at a steady speed; where the wall is corroded there is no echo.
The gauge's and the encoder's records are made as columns, turned to bytes as columns, and cut into
chunks, ticks and flushes at the daemon's own intervals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathe.journal import Chunk, Entry, JournalWriter, Mark, MarkKind, PortChange, Tick
from swathe.store import SurveyFolder

__all__ = [
    "CHUNK_MS",
    "VELOCITY",
    "WAY_NS",
    "Devices",
    "Raster",
    "Records",
    "end_run",
    "records",
    "run",
    "station_text",
    "write",
]

MS, S = 1_000_000, 1_000_000_000
CHUNK_MS, TICK_MS, FLUSH_MS = 10, 40, 40
"""How often a live daemon takes what arrived, ticks, and flushes its journal."""

WAY_NS = {"encoder": 1_230_000, "gauge": 1_000_000}
"""From the end of a chunk to its arrival; with these no reading is placed on a border of cells."""

UTC = 1_800_000_000_000_000_000
VELOCITY, WALL_MM = 5.92, 12.0

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]
Lengths = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Raster:
    """The plan and the motion.

    Attributes:
        scan_mm: length of a line.
        line_mm: from line to line.
        speed: mm/s.
        lines: of the plan; the probe goes back over the same ones when it has done all.
    """

    scan_mm: float = 2000.0
    line_mm: float = 2.0
    speed: float = 100.0
    lines: int = 30

    @classmethod
    def for_seconds(cls, seconds: float) -> Raster:
        """Return a raster that takes so long."""
        usual = cls()
        return cls(lines=max(int(np.ceil(seconds * usual.speed / usual.scan_mm)), 2))

    def place(self, made: Integers) -> tuple[Lengths, Lengths]:
        """Return scan and index of the probe, mm; it steps to the next line at a line's end.

        Args:
            made: ns after the start.
        """
        way = made * 1e-9 * self.speed / self.scan_mm
        line = np.floor(way)
        share = way - line
        scan = np.where(line % 2 == 0, share, 1 - share) * self.scan_mm
        turn = line % (2 * (self.lines - 1))
        row = np.minimum(turn, 2 * (self.lines - 1) - turn)
        return scan, row * self.line_mm

    @staticmethod
    def has_echo(scan: Lengths, index: Lengths) -> NDArray[np.bool_]:
        """Return where the wall gives an echo: all but a few per cent of it."""
        return np.sin(scan / 27.0) * np.sin(index / 5.4 + 1.0) < 0.93


@dataclass(frozen=True, kw_only=True)
class Devices:
    """What sends.

    Attributes:
        gauge_hz: readings a second.
        encoder_hz: positions a second.
        form: of the readings: text lines, or frames of ten bytes.
    """

    gauge_hz: int = 1_000
    encoder_hz: int = 100
    form: Literal["text", "frames"] = "text"


_GAUGE = {
    "text": """
[device.gauge.protocol]
columns = [
  { is = "device_time", unit = "us" },
  { is = "time_of_flight", unit = "us" },
  { is = "status", valid = ["E"], invalid = ["N"] },
]
""",
    "frames": """
driver = "frames"
[device.gauge.protocol]
framing = { kind = "fixed", sync = [165, 90], length = 10 }
checksum = { kind = "sum8" }
fields = [
  { is = "device_time", type = "u4", unit = "us" },
  { is = "time_of_flight", type = "u2", unit = "ns" },
  { is = "status", type = "u1", valid = [1], invalid = [0] },
]
""",
}


def station_text(raster: Raster, devices: Devices) -> str:
    """Return the station file of a survey."""
    return f"""name = "bench"
[survey]
folder = "survey"
alert_below = "8 mm"
[scan]
length = "{raster.scan_mm:g} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 100
[index]
length = "{(raster.lines - 1) * raster.line_mm:g} mm"
resolution = "{raster.line_mm:g} mm"
device = "encoder"
counts_per_mm = 100
[calibration]
velocity = "{VELOCITY * 1000:g} m/s"
[device.encoder]
port = "socket://encoder:1"
protocol.columns = [
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan" }},
  {{ is = "counts", axis = "index" }},
]
[device.gauge]
port = "socket://gauge:1"
{_GAUGE[devices.form]}"""


def digits(values: Integers, *, decimals: int = 0) -> Bytes:
    """Return whole numbers as text, right-aligned, with NUL in place of a leading zero.

    Args:
        values: shape (n,), none below zero.
        decimals: how many of the last digits are behind a decimal point.
    """
    width = max(len(str(int(values.max(initial=0)))), decimals + 1)
    powers = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    shown = (values[:, np.newaxis] // powers % 10 + ord("0")).astype(np.uint8)
    leading = values[:, np.newaxis] < powers
    leading[:, width - decimals - 1 :] = False
    shown[leading] = 0
    if not decimals:
        return shown
    point = np.full((values.size, 1), ord("."), np.uint8)
    return np.hstack((shown[:, :-decimals], point, shown[:, -decimals:]))


def lines_of(*columns: Bytes) -> tuple[bytes, Integers]:
    """Return columns of text as lines, and the offset behind each line; NULs are left out."""
    count = len(columns[0])
    comma = np.full((count, 1), ord(","), np.uint8)
    ending = np.tile(np.frombuffer(b"\r\n", np.uint8), (count, 1))
    parts = [part for column in columns for part in (column, comma)]
    text = np.hstack((*parts[:-1], ending))
    kept = text != 0
    return text[kept].tobytes(), np.cumsum(kept.sum(axis=1))


class Records(NamedTuple):
    """Records of a device as bytes; row i of each column belongs to one record.

    Attributes:
        made: ns after the start, shape (n,).
        data: their bytes.
        ends: offset behind each record, shape (n,).
    """

    made: Integers
    data: bytes
    ends: Integers


def records(raster: Raster, devices: Devices, begin: float, end: float) -> tuple[Records, Records]:
    """Return what gauge and encoder send from `begin` to `end`, s after the start."""
    made = _times(devices.gauge_hz, begin, end)
    scan, index = raster.place(made)
    wall = WALL_MM + 0.6 * np.sin(scan / 40.0) - 4.5 * (np.sin(scan / 61.0 + index / 9.0) > 0.999)
    noise = ((made // 1_000 * 2_654_435_761 >> 9) % 1_000) * 1e-5
    tof = np.rint(2 * (wall + noise) / VELOCITY * 1e4).astype(np.int64)
    echo = raster.has_echo(scan, index)
    clock = made // 1_000 + 1_000_000
    if devices.form == "text":
        status = np.where(echo, ord("E"), ord("N")).astype(np.uint8)[:, np.newaxis]
        gauge = Records(made, *lines_of(digits(clock), digits(tof, decimals=4), status))
    else:
        gauge = Records(made, *_frames_of(clock, tof // 10, echo))
    made = _times(devices.encoder_hz, begin, end)
    scan, index = raster.place(made)
    counts = (np.rint(100 * mm).astype(np.int64) for mm in (scan, index))
    text = lines_of(digits(made // 1_000 + 5_000_000), *map(digits, counts))
    return gauge, Records(made, *text)


def _times(hz: int, begin: float, end: float) -> Integers:
    number = np.arange(int(np.ceil(begin * hz)), int(np.ceil(end * hz)), dtype=np.int64)
    return number * S // hz


def _frames_of(
    clock: Integers, tof_ns: Integers, echo: NDArray[np.bool_]
) -> tuple[bytes, Integers]:
    form = [("sync", ">u2"), ("clock", "<u4"), ("tof", "<u2"), ("status", "u1"), ("sum", "u1")]
    rows = np.zeros(clock.size, form)
    rows["sync"], rows["clock"], rows["tof"], rows["status"] = 0xA55A, clock, tof_ns, echo
    rows["sum"] = rows.view(np.uint8).reshape(clock.size, 10).sum(axis=1, dtype=np.uint8)
    return rows.tobytes(), 10 * np.arange(1, clock.size + 1, dtype=np.int64)


def chunks(port: str, sent: Records, start: int) -> Iterator[Chunk]:
    """Yield the chunks in which records arrive, each with what was made in `CHUNK_MS`.

    Args:
        port: name of the port.
        sent: the records.
        start: host time of the start, ns.
    """
    slot = sent.made // (CHUNK_MS * MS)
    last = np.flatnonzero(np.diff(slot, append=slot[-1] + 1))
    begin = 0
    for arrival, end in zip(
        (start + WAY_NS[port] + (slot[last] + 1) * CHUNK_MS * MS).tolist(),
        sent.ends[last].tolist(),
        strict=True,
    ):
        yield Chunk(arrival, port, sent.data[begin:end])
        begin = end


def run(
    raster: Raster, devices: Devices, begin: float, end: float, *, start: int
) -> Iterator[Entry]:
    """Yield the entries of a run from `begin` to `end`, s after the start, without its end.

    Args:
        raster: the plan and the motion.
        devices: what sends.
        begin: whole seconds.
        end: whole seconds.
        start: host time of the start, ns.
    """
    opening = start + round(begin * S)
    detail = {
        "survey": "bench",
        "station": station_text(raster, devices),
        "versions": {},
        "utc_ns": UTC + round(begin * S),
        "purpose": "scan",
    }
    yield Mark(opening, MarkKind.OPENED, detail)
    for port in ("encoder", "gauge"):
        yield PortChange(opening, port, "open", "")
    step = 10.0 if devices.gauge_hz > 20_000 else 60.0
    for first in np.arange(begin, end, step).tolist():
        last = min(first + step, end)
        gauge, encoder = records(raster, devices, first, last)
        ticks = (
            Tick(start + round(first * S) + k * TICK_MS * MS + 2 * MS)
            for k in range(1, round((last - first) * 1_000) // TICK_MS + 1)
        )
        entries: list[Entry] = [
            *chunks("encoder", encoder, start),
            *chunks("gauge", gauge, start),
            *ticks,
        ]
        yield from sorted(entries, key=lambda entry: entry.time)


def end_run(seconds: float, *, start: int) -> Mark:
    """Return the mark that ends a run so many seconds after the start."""
    time = start + round(seconds * S) + 5 * MS
    return Mark(time, MarkKind.ENDED, {"status": "incomplete", "reason": ""})


def write(
    folder: Path, entries: Iterator[Entry], *, report: Callable[[int], None] | None = None
) -> SurveyFolder:
    """Write one run's entries to the journal of a survey, flushed as a live daemon does.

    Args:
        folder: of the survey.
        entries: of the run.
        report: called at intervals with the number of entries written.
    """
    survey = SurveyFolder(folder)
    with JournalWriter(survey.journal) as journal:
        next_flush = 0
        for number, entry in enumerate(entries):
            journal.write(entry)
            if entry.time >= next_flush:
                journal.flush()
                next_flush = entry.time + FLUSH_MS * MS
            if report is not None and number % 100_000 == 0:
                report(number)
    return survey
