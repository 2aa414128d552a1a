"""What a script over the whole file would do: pandas and scipy, without a live run in mind.

It starts from the same bytes as a rebuild, dumped as a text file for each device, and from the
arrival of each record. It fits each device's clock by one straight line, interpolates the encoder at
the readings' times, and bins minimum and count by cell. It knows no gaps, alarms, faults or checks.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
from numpy.typing import NDArray
from scipy.interpolate import interp1d
from scipy.stats import binned_statistic_2d

from benchmarks.journals import CHUNK_MS, VELOCITY, WAY_NS, Devices, Raster, Records, records

__all__ = ["Cells", "Dump", "bin_by_cell", "dump"]

MS = 1_000_000


@dataclass(frozen=True)
class Dump:
    """The records of a survey as files.

    Attributes:
        gauge, encoder: text files.
        gauge_arrivals, encoder_arrivals: when each record arrived, ns, as numpy files.
    """

    gauge: Path
    encoder: Path
    gauge_arrivals: Path
    encoder_arrivals: Path


@dataclass(frozen=True)
class Cells:
    """Minimum thickness, mm (NaN without readings), and readings by cell, shape (index, scan)."""

    minimum: NDArray[np.float64]
    hits: NDArray[np.int64]


def dump(folder: Path, raster: Raster, devices: Devices, seconds: float) -> Dump:
    """Write what the devices send in `seconds` to files in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    names = ("gauge.txt", "encoder.txt", "gauge.npy", "encoder.npy")
    found = Dump(*(folder / name for name in names))
    gauge, encoder = records(raster, devices, 0.0, seconds)
    for port, sent, text, arrivals in (
        ("gauge", gauge, found.gauge, found.gauge_arrivals),
        ("encoder", encoder, found.encoder, found.encoder_arrivals),
    ):
        text.write_bytes(sent.data)
        np.save(arrivals, _arrivals(port, sent))
    return found


def _arrivals(port: str, sent: Records) -> NDArray[np.int64]:
    """Return when each record arrived: with the others of its chunk."""
    slot = CHUNK_MS * MS
    arrivals: NDArray[np.int64] = (sent.made // slot + 1) * slot + WAY_NS[port]
    return arrivals


def bin_by_cell(files: Dump, raster: Raster) -> Cells:
    """Return what the script finds."""
    gauge = _read(files.gauge, ["time", "tof", "status"])
    encoder = _read(files.encoder, ["time", "scan", "index"])
    taken = _on_host(gauge["time"].to_numpy(), np.load(files.gauge_arrivals))
    counted = _on_host(encoder["time"].to_numpy(), np.load(files.encoder_arrivals))
    scan = interp1d(counted, encoder["scan"].to_numpy() / 100, bounds_error=False)(taken)
    index = interp1d(counted, encoder["index"].to_numpy() / 100, bounds_error=False)(taken)
    thickness = VELOCITY / 2 * gauge["tof"].to_numpy()
    good = (gauge["status"].to_numpy() == "E") & ~np.isnan(scan) & ~np.isnan(index)
    edges = [
        np.arange(-0.5, raster.scan_mm + 1.0),
        (np.arange(raster.lines + 1) - 0.5) * raster.line_mm,
    ]
    kept = scan[good], index[good], thickness[good]
    found = {
        name: binned_statistic_2d(*kept, statistic=name, bins=edges).statistic.T
        for name in ("min", "count")
    }
    return Cells(found["min"], found["count"].astype(np.int64))


def _read(path: Path, names: list[str]) -> Any:
    return pd.read_csv(path, header=None, names=names, engine="c")


def _on_host(device_us: NDArray[np.int64], arrivals: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return device times on the host's clock, ns: one line, no record later than it arrived."""
    middle = int(device_us[0])
    device = (device_us - middle) * 1e3
    slope, offset = np.polyfit(device, arrivals.astype(np.float64), 1)
    on_line = slope * device + offset
    return np.asarray(on_line + np.min(arrivals - on_line))
