"""A station by hand on real ports: what is scanned, the scanner in the hand, and the operator's console."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from support.daemon import DaemonProcess
from support.hand.console import Console
from support.hand.ports import SEAM_MM, PortScanner, wall

__all__ = ["CELL", "LENGTH", "OVER", "Scene", "bench_text", "measured"]

LENGTH: Final = 200.0
CELL: Final = 2 * SEAM_MM
OVER: Final = 12.0

_STATION = """\
name = "bench"
[survey]
folder = "survey"
alert_below = "5 mm"
[scan]
length = "{length:g} mm"
resolution = "{cell:g} mm"
{scan}
device = "encoder"
counts_per_mm = 20
{index}
[[mark]]
name = "weld 12"
scan = "60 mm"
[device.encoder]
port = "{encoder}"
{rate}
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "P" }}, {clock}{{ is = "counts", axis = "scan", bits = 16 }},
]
[device.gauge]
port = "{gauge}"
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "R" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
[broker]
host = "127.0.0.1"
port = {broker}
"""
_LINES = (
    '[index]\nlength = "{length} mm"\nresolution = "10 mm"\nmode = "stepped"\nadvance = "{advance}"'
)


def bench_text(
    *,
    encoder: str,
    gauge: str,
    broker: int,
    lines: int = 1,
    advance: str = "command",
    scan: str = "",
    clock: bool = True,
) -> str:
    """Return a station file with some lines."""
    return _STATION.format(
        length=LENGTH,
        cell=CELL,
        scan=scan,
        index=_LINES.format(length=10 * (lines - 1), advance=advance) if lines > 1 else "",
        encoder=encoder,
        gauge=gauge,
        rate="" if clock else 'rate = "100 Hz"',
        clock='{ is = "device_time", unit = "us" }, ' if clock else "",
        broker=broker,
    )


@dataclass
class Scene:
    """A station that runs, the scanner at its ports, and an operator's console.

    Attributes:
        scanner: in the hand.
        console: of the operator.
        process: the daemon.
        folder: the survey.
    """

    scanner: PortScanner
    console: Console
    process: DaemonProcess
    folder: Path

    def scan_to(self, scan: float, *, speed: float = 100.0) -> None:
        """Scan coupled to a position, mm, from rest to rest."""
        self.scanner.coupled = True
        self.scanner.move(scan, speed=speed)

    def return_to(self, scan: float) -> None:
        """Return in the air to a position, mm."""
        self.scanner.coupled = False
        self.scanner.move(scan, speed=700.0)

    def finish(self) -> xr.Dataset:
        """End the run; return the arrays, which are true to the wall."""
        self.console.post("stop")  # unless the plan is covered, which ends the run
        code, output = self.process.finish()
        assert code in (0, 3), output
        arrays: xr.Dataset = xr.open_zarr(self.folder / "survey.zarr").load()
        assert_true_to_wall(arrays)
        return arrays

    def record(self) -> dict[str, Any]:
        """Return the record of the survey."""
        record: dict[str, Any] = json.loads((self.folder / "survey.json").read_text())
        return record


def assert_true_to_wall(arrays: xr.Dataset) -> None:
    """Each cell that has a thickness has that of its place, and no reading of another one in it."""
    rows = np.arange(float(arrays.sizes["index"]))[:, np.newaxis]
    true = wall(arrays.scan.values, rows)
    for layer in (arrays.thickness, arrays.thickness_mean):
        # Half a cell, a count, and the motion between the two writes of a record.
        wrong = np.argwhere(np.abs(layer.values - true) > 0.01 * (CELL / 2 + 2.0))
        found = [(at.tolist(), float(layer.values[tuple(at)])) for at in wrong]
        assert not found, (layer.name, found)


def measured(arrays: xr.Dataset) -> NDArray[np.bool_]:
    """Return which cells are measured."""
    return np.asarray(np.isfinite(arrays.thickness.values))
