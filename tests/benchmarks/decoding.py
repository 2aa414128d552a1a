"""How many records a second the drivers decode, beside what reads the same bytes without a driver.

Each driver gets chunks of 1 MB, as a rebuild from the journal feeds them. The frames driver is
held against `numpy.frombuffer` and a copy of each field, which neither finds frames nor checks
anything; the delimited driver against `pandas.read_csv` if pandas is installed, else against
`numpy.loadtxt`. The ratios are of the same run and the same bytes.

Run ``python tests/benchmarks/decoding.py``; it prints the best of several turns, and ends with
exit code 1 if a target is missed: 20 million small frames and one million lines a second.
"""

from __future__ import annotations

import importlib.util
import io
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.records import Batch

__all__ = ["main"]

CHUNK = 1 << 20
TURNS = 60
MOST_FRAMES, MOST_LINES = 20e6, 1e6

SMALL = np.dtype(
    [("sync", "<u2"), ("number", "<u2"), ("time", "<u4"), ("tof", "<u4"), ("amplitude", "<u2"),
     ("status", "u1"), ("spare", "u1")]
)  # fmt: skip
SMALL_FIELDS = [
    {"is": "sequence", "type": "u2"},
    {"is": "device_time", "type": "u4", "unit": "us"},
    {"is": "time_of_flight", "type": "u4", "unit": "ns"},
    {"is": "amplitude", "type": "u2", "scale": 0.1},
    {"is": "status", "type": "u1", "valid": [1], "invalid": [0]},
    {"is": "skip"},
]
CRC = {"kind": "crc", "width": 16, "poly": 0x1021, "init": 0xFFFF}
COLUMNS = [
    {"is": "sequence", "wrap": 65536},
    {"is": "device_time", "unit": "us"},
    {"is": "time_of_flight", "unit": "us"},
    {"is": "amplitude", "unit": "%"},
]


def best(run: Callable[[], object]) -> float:
    """Return the least time that `run` takes, s.

    What it gave the turn before is still held meanwhile, as a batch is by who works on it; else
    the memory goes back to the system each time and most of the time goes into getting it again.
    """
    found = []
    held = run()
    for _ in range(TURNS):
        begin = time.perf_counter()
        held = run()
        found.append(time.perf_counter() - begin)
    del held
    return min(found)


def small_frames() -> bytes:
    """Return a chunk of frames of 16 bytes."""
    rows = np.zeros(CHUNK // SMALL.itemsize, SMALL)
    rows["sync"], rows["status"], rows["amplitude"] = 0x5AA5, 1, 800
    rows["number"] = np.arange(rows.size)
    rows["time"] = np.arange(rows.size) * 10
    rows["tof"] = 4000 + np.arange(rows.size) % 997
    return rows.tobytes()


def frames_per_second(table: dict[str, Any], data: bytes, count: int) -> float:
    """Return how many frames a second the driver decodes."""
    driver = FramesDriver(FramesSettings.model_validate(table))

    decoder = driver.decoder(ns_per_byte=0)

    def run() -> Batch:
        batch = decoder.feed(data, 0)
        assert max(batch.readings.size, batch.positions.size) == count
        assert not batch.n_faults
        return batch

    return count / best(run)


def plain_numpy(data: bytes) -> list[NDArray[Any]]:
    """Read the small frames with numpy alone: a copy of each field as Swathe keeps it."""
    rows = np.frombuffer(data, SMALL)
    kinds = (("number", "<i8"), ("time", "<i8"), ("tof", "<f8"), ("amplitude", "<f4"))
    return [*(rows[name].astype(kind) for name, kind in kinds), rows["status"] == 1]


def checked_frames(size: int) -> tuple[bytes, int]:
    """Return a chunk of frames of `size` bytes with a CRC, and how many they are."""
    from swathe_drivers.checksums import Crc, CrcParameters

    count = CHUNK // size
    rows = np.random.default_rng(1).integers(0, 256, (count, size), np.uint8)
    rows[:, 0] = 0xA5
    crc = Crc(CrcParameters(width=16, poly=0x1021, init=0xFFFF)).of(rows[:, :-2])
    rows[:, -2:] = crc.astype("<u2")[:, np.newaxis].view(np.uint8)
    return rows.tobytes(), count


def lines() -> tuple[bytes, int]:
    """Return a chunk of lines, and how many they are."""
    out = io.BytesIO()
    number = 0
    while out.tell() < CHUNK:
        out.write(b"%d,%d,%.4f,80.5\r\n" % (number % 65536, number * 10, 4 + number % 997 / 1e3))
        number += 1
    return out.getvalue(), number


def other_reader(data: bytes) -> tuple[str, Callable[[], object]]:
    """Return the name of the other reader of lines, and a call of it."""
    if importlib.util.find_spec("pandas") is not None:
        pandas = importlib.import_module("pandas")
        return "pandas.read_csv", lambda: pandas.read_csv(io.BytesIO(data), header=None)
    return "numpy.loadtxt", lambda: np.loadtxt(io.BytesIO(data), delimiter=",")


def scans(samples: int) -> tuple[dict[str, Any], NDArray[np.uint8]]:
    """Return settings of frames with an A-scan of `samples`."""
    fields = [
        {"is": "device_time", "type": "u4", "unit": "us"},
        {"is": "waveform", "type": "i2", "samples": samples, "interval": "10 ns", "full_scale": 32767},
    ]  # fmt: skip
    framing = {"kind": "fixed", "sync": [0xA5], "length": 7 + 2 * samples}
    data, count = checked_frames(7 + 2 * samples)
    table = {"framing": framing, "checksum": CRC, "fields": fields}
    return table, np.frombuffer(data, np.uint8).reshape(count, -1)


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    data = small_frames()
    count = len(data) // SMALL.itemsize
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5, 0x5A], "length": SMALL.itemsize},
        "fields": SMALL_FIELDS,
    }
    small = frames_per_second(table, data, count)
    plain = count / best(lambda: plain_numpy(data))
    print(f"frames of 16 bytes             {small:13,.0f} /s, target {MOST_FRAMES:,.0f}")
    print(f"  numpy.frombuffer alone       {plain:13,.0f} /s, {plain / small:.1f} times as many")

    counts = [{"is": "counts", "type": "i4", "axis": name} for name in ("scan", "index", "turn")]
    data, count = checked_frames(16)
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": 16},
        "checksum": CRC,
        "fields": [*counts, {"is": "skip"}],
    }
    print(f"frames of 16 bytes, 16 bit CRC {frames_per_second(table, data, count):13,.0f} /s")
    table, rows = scans(500)
    rate = frames_per_second(table, rows.tobytes(), rows.shape[0])
    megabytes = rate * rows.shape[1] / 1e6
    print(f"A-scans of 500, 16 bit CRC     {rate:13,.0f} /s, {megabytes:,.0f} MB/s")

    data, count = lines()
    decoder = DelimitedDriver(DelimitedSettings.model_validate({"columns": COLUMNS})).decoder(
        ns_per_byte=0
    )
    text = count / best(lambda: decoder.feed(data, 0))
    name, read = other_reader(data)
    other = count / best(read)
    print(f"lines of four columns          {text:13,.0f} /s, target {MOST_LINES:,.0f}")
    print(f"  {name:27s}  {other:13,.0f} /s, {other / text:.1f} times as many")
    met = small >= MOST_FRAMES and text >= MOST_LINES
    print("targets met" if met else "a target MISSED")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
