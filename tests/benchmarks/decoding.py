"""How many records a second the drivers decode, next to what reads the same bytes without a driver.

Each stream is fed in chunks of several sizes: of 20 records, as a live port gives them, and of up to
1 MB, as a rebuild from the journal does. What it is held against neither cuts lines or frames out of a
stream nor reports what is wrong with them: `pandas.read_csv` (its C engine, the checksum left
unchecked) or, without pandas, `numpy.loadtxt`; for frames `numpy.frombuffer`, the sync bytes and the
checksum compared, and a copy of each field. It reads all bytes at once, and the ratio is that of its
rate to the driver's at the same run's best chunk size.

Run ``python tests/benchmarks/decoding.py``; it prints a table of CPU time, the best of several turns,
and ends with exit code 1 if a target is missed.
"""

from __future__ import annotations

import importlib.util
import io
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.figures import report_figures
from swathe_drivers.checksums import Crc, CrcParameters, simple_sums
from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.frames import FramesDriver, FramesSettings

__all__ = ["main"]

RECORDS = 50_000
TURNS = 9
LIVE = 20
"""Records in the smallest chunk."""
SIZES = (20_000, 100_000, 1_000_000)
"""Bytes of the other chunks."""

CRC = {"kind": "crc", "width": 16, "poly": 0x1021, "init": 0xFFFF}
CRC_OF = Crc(CrcParameters(width=16, poly=0x1021, init=0xFFFF))
FIELDS = [
    {"is": "device_time", "type": "u4", "unit": "us"},
    {"is": "time_of_flight", "type": "u4", "unit": "ns"},
    {"is": "amplitude", "type": "u2", "scale": 0.1},
]
TAILS: dict[str, tuple[Any, list[tuple[str, str]]]] = {
    "no checksum": (None, []),
    "xor of 8 bits": ({"kind": "xor8"}, [("check", "u1")]),
    "CRC of 16 bits": (CRC, [("check", "<u2")]),
}
"""Checksums of frames: the settings, and what is at the end of a frame."""


@dataclass(frozen=True)
class Case:
    """A stream of `RECORDS` records.

    Attributes:
        name: for the table.
        data: the bytes.
        feed: makes a new decoder and returns its `feed`.
        other: what else reads all of the bytes.
        target: records a second at the best chunk size of 100 kB or more.
    """

    name: str
    data: bytes
    feed: Callable[[], Callable[[bytes, int], object]]
    other: Callable[[], object]
    target: float


def best(run: Callable[[], object], turns: int = TURNS) -> float:
    """Return the least CPU time that `run` takes, s.

    What it gave the turn before is still held meanwhile, as a batch is by who works on it; else
    the memory goes back to the system each time and most of the time goes into getting it again.
    """
    found = []
    held = run()
    for _ in range(turns):
        begin = time.process_time()
        held = run()
        found.append(time.process_time() - begin)
    del held
    return min(found)


def lines(*, checked: bool) -> Case:
    """Return lines of text: time, time of flight and amplitude, perhaps with a checksum."""
    times = np.arange(RECORDS) * 10
    tof = 4.0 + np.random.default_rng(1).normal(0, 0.004, RECORDS)
    bodies = [f"{t},{v:.4f},80.5" for t, v in zip(times.tolist(), tof.tolist(), strict=True)]
    table: dict[str, Any] = {
        "columns": [
            {"is": "device_time", "unit": "us"},
            {"is": "time_of_flight", "unit": "us"},
            {"is": "amplitude", "unit": "%"},
        ]
    }
    if checked:
        table["checksum"] = {"kind": "xor", "after": "*"}
        bodies = [f"{body}*{_xor(body):02X}" for body in bodies]
    data = ("\r\n".join(bodies) + "\r\n").encode()
    driver = DelimitedDriver(DelimitedSettings.model_validate(table))
    return Case(
        "lines, xor of 8 bits" if checked else "lines, no checksum",
        data,
        lambda: driver.decoder(ns_per_byte=0).feed,
        other_reader(data),
        1.5e6 if checked else 2.5e6,
    )


def _xor(body: str) -> int:
    found = 0
    for byte in body.encode():
        found ^= byte
    return found


def other_reader(data: bytes) -> Callable[[], object]:
    """Return a call of the other reader of lines; it leaves out what is behind a `*`."""
    if importlib.util.find_spec("pandas") is not None:
        pandas = importlib.import_module("pandas")
        return lambda: pandas.read_csv(io.BytesIO(data), header=None, engine="c", comment="*")
    return lambda: np.loadtxt(io.BytesIO(data), delimiter=",", comments="*")


def frames(tail: str) -> Case:
    """Return small frames with the checksum `tail`."""
    checksum, end = TAILS[tail]
    kind = np.dtype([("sync", "<u2"), ("time", "<u4"), ("tof", "<u4"), ("amplitude", "<u2"), *end])
    rows = np.zeros(RECORDS, kind)
    rows["sync"], rows["amplitude"] = 0x5AA5, 800
    rows["time"] = np.arange(RECORDS) * 10
    rows["tof"] = 4000 + np.arange(RECORDS) % 997
    if checksum is not None:
        rows["check"] = sums_of(rows, checksum)
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5, 0x5A], "length": kind.itemsize},
        "fields": FIELDS,
        **({} if checksum is None else {"checksum": checksum}),
    }
    driver = FramesDriver(FramesSettings.model_validate(table))
    data = rows.tobytes()
    return Case(
        f"frames, {tail}",
        data,
        lambda: driver.decoder(ns_per_byte=0).feed,
        lambda: plain_numpy(data, kind, checksum),
        20e6 if checksum is None else 6e6,
    )


def sums_of(rows: NDArray[Any], checksum: dict[str, Any]) -> NDArray[np.uint32]:
    """Return the checksums of frames, over all that is before them."""
    covered = rows.dtype.itemsize - rows.dtype["check"].itemsize
    pieces = rows.view(np.uint8).reshape(rows.size, -1)[:, :covered]
    return CRC_OF.of(pieces) if checksum["kind"] == "crc" else simple_sums("xor8", pieces)


def plain_numpy(data: bytes, kind: np.dtype[Any], checksum: dict[str, Any] | None) -> list[Any]:
    """Read frames with numpy alone: the checks, and a copy of each field as Swathe keeps it."""
    rows = np.frombuffer(data, kind)
    assert (rows["sync"] == 0x5AA5).all()
    if checksum is not None:
        assert (rows["check"] == sums_of(rows, checksum)).all()
    kinds = (("time", "<i8"), ("tof", "<f8"), ("amplitude", "<f4"))
    return [rows[name].astype(wanted) for name, wanted in kinds]


def scans(samples: int) -> Case:
    """Return frames with an A-scan of `samples` and a CRC; fewer than of the others."""
    size, count = 7 + 2 * samples, RECORDS // 20
    rows = np.random.default_rng(1).integers(0, 256, (count, size), np.uint8)
    rows[:, 0] = 0xA5
    rows[:, -2:] = CRC_OF.of(rows[:, :-2]).astype("<u2")[:, np.newaxis].view(np.uint8)
    fields = [
        {"is": "device_time", "type": "u4", "unit": "us"},
        {"is": "waveform", "type": "i2", "samples": samples, "interval": "10 ns", "full_scale": 32767},
    ]  # fmt: skip
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": size},
        "checksum": CRC,
        "fields": fields,
    }
    driver = FramesDriver(FramesSettings.model_validate(table))

    def plain() -> list[Any]:
        assert (
            CRC_OF.of(rows[:, :-2]).astype("<u2") == rows[:, -2:].copy().view("<u2")[:, 0]
        ).all()
        return [rows[:, 1:5].copy().view("<u4").astype("<i8"), rows[:, 5:-2].copy().view("<i2")]

    return Case(
        f"A-scans of {samples}, CRC of 16 bits",
        rows.tobytes(),
        lambda: driver.decoder(ns_per_byte=0).feed,
        plain,
        0.2e6,
    )


def rates(case: Case, count: int) -> list[tuple[float, float]]:
    """Return records a second and the time of a feed, µs, for each size of chunks."""
    found = []
    for size in (LIVE * len(case.data) // count, *SIZES):
        pieces = [case.data[at : at + size] for at in range(0, len(case.data), size)]

        def run(pieces: Sequence[bytes] = pieces) -> object:
            feed, held = case.feed(), None
            for number, piece in enumerate(pieces):
                held = feed(piece, number)
            return held

        took = best(run, 2 if len(pieces) > 1000 else TURNS)
        found.append((count / took, took / len(pieces) * 1e6))
    return found


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    cases = [lines(checked=False), lines(checked=True), *map(frames, TAILS), scans(500)]
    head = "".join(f"{text:>19s}" for text in (f"{LIVE} records", "20 kB", "100 kB", "1 MB"))
    print(f"{'records/s, time of a feed':31s}{head}   target  other reader")
    met, ratios = True, {}
    for case in cases:
        count = RECORDS // 20 if "A-scans" in case.name else RECORDS
        found = rates(case, count)
        cells = "".join(f"{rate / 1e6:8.2f} M{took:6.0f} µs" for rate, took in found)
        most = max(rate for rate, _ in found[2:])
        other = count / best(case.other)
        met &= most >= case.target
        ratios["other_reader: " + case.name] = other / most
        ratio = f"{other / 1e6:6.2f} M, {other / most:.2f} times"
        print(f"{case.name:31s}{cells}{case.target / 1e6:7.1f} M {ratio}")
    report_figures(**ratios)
    print("targets met" if met else "a target MISSED")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
