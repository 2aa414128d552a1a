"""What really was: one row for each line that a device made, or for each reading of a line.

Rows are appended as lines reach their port, so that the log is complete at any moment
for everything that was written so far.
"""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[np.void]

ROW = np.dtype(
    [
        ("sequence", "i8"),  # of the line: 0, 1, 2 … since the device was switched on
        ("world_time_s", "f8"),  # when it was sampled, since the world was switched on
        ("due_s", "f8"),  # when it has left the port completely, by the latency model
        ("host_time_ns", "i8"),  # monotonic clock of the host when it was written
        ("clock_us", "u8"),  # the device's clock as sent (0 without one)
        ("scan_mm", "f8"),  # of the probe, or of the carriage's datum without `probes`
        ("index_mm", "f8"),
        ("heading_deg", "f8"),
        ("probe", "i8"),  # the device's input; 0 of a device without several
        ("scan_counts", "i8"),  # before roll-over
        ("index_counts", "i8"),
        ("heading_counts", "i8"),
        ("thickness_mm", "f8"),
        ("valid", "?"),  # the probe had an echo there
        (
            "pass_number",
            "i8",
        ),  # 0 is the raster, 1, 2 … are the times it went back; rounds of a block
        ("line", "i8"),  # number of the index line or of the block's step, -1 between them
        ("length", "i8"),  # bytes of the line, in the first of its rows
        ("dropped", "?"),  # written nowhere: nobody listened, or the buffer was full
    ]
)


class TruthLog:
    """Rows per device, readable from any thread while the world runs."""

    def __init__(self, kinds: dict[str, str], metadata: dict[str, Any]) -> None:
        self._lock = threading.Lock()
        self._kinds = dict(kinds)
        self._metadata = metadata
        self._buffers: dict[str, Rows] = {name: np.zeros(1024, dtype=ROW) for name in kinds}
        self._sizes = dict.fromkeys(kinds, 0)
        self._dropped_bytes = dict.fromkeys(kinds, 0)

    def append(self, device: str, rows: Rows, *, dropped_bytes: int = 0) -> None:
        """Add rows (copied), and count bytes that were written nowhere."""
        with self._lock:
            size = self._sizes[device]
            need = size + len(rows)
            buffer = self._buffers[device]
            if need > len(buffer):
                grown = np.zeros(max(need, 2 * len(buffer)), dtype=ROW)
                grown[:size] = buffer[:size]
                self._buffers[device] = buffer = grown
            buffer[size:need] = rows
            self._sizes[device] = need
            self._dropped_bytes[device] += dropped_bytes

    def rows(self, device: str) -> Rows:
        """Return a copy of a device's rows so far.

        Raises:
            KeyError: no such device; the message lists those there are.
        """
        with self._lock:
            if device not in self._buffers:
                known = ", ".join(sorted(self._buffers))
                raise KeyError(f"no device {device!r} in the truth log; there are: {known}")
            return self._buffers[device][: self._sizes[device]].copy()

    def _of(self, *kinds: str) -> Rows:
        parts = [self.rows(name) for name, kind in self._kinds.items() if kind in kinds]
        merged: Rows = np.concatenate([np.zeros(0, dtype=ROW), *parts])
        return merged[np.argsort(merged["host_time_ns"], kind="stable")]

    def readings(self) -> Rows:
        """Return the rows of all gauges and combined devices, in the order written."""
        return self._of("gauge", "combined")

    def positions(self) -> Rows:
        """Return the rows of all encoders and combined devices, in the order written."""
        return self._of("encoder", "combined")

    @property
    def dropped_bytes(self) -> dict[str, int]:
        """Bytes per device that were written nowhere, injected ones included."""
        with self._lock:
            return dict(self._dropped_bytes)

    def note(self, **facts: str | float) -> None:
        """Add facts to the metadata; they must be plain JSON data."""
        with self._lock:
            self._metadata.update(facts)

    @property
    def metadata(self) -> dict[str, Any]:
        """Scenario, part, seed, speed, and when the motion started."""
        with self._lock:
            return dict(self._metadata)

    def save(self, path: Path) -> None:
        """Write `.npz`: columns as `<device>.<column>`, and `metadata` as JSON text."""
        columns: dict[str, Any] = {}
        for name in self._kinds:
            rows = self.rows(name)
            columns |= {f"{name}.{field}": rows[field] for field in ROW.names or ()}
        facts = {**self.metadata, "kinds": self._kinds, "dropped_bytes": self.dropped_bytes}
        with path.open("wb") as file:
            np.savez_compressed(file, metadata=np.array(json.dumps(facts)), **columns)


def load_truth(path: Path) -> tuple[dict[str, Rows], dict[str, Any]]:
    """Read what `TruthLog.save` wrote: rows per device, and the metadata.

    Raises:
        ValueError: the file is no truth log; save it with `World.truth.save`.
    """
    with np.load(path) as file:
        if "metadata" not in file:
            raise ValueError(f"{path}: has no 'metadata', so it is no saved truth log")
        facts: dict[str, Any] = json.loads(str(file["metadata"]))
        devices: dict[str, Rows] = {}
        for name in facts["kinds"]:
            rows = np.zeros(len(file[f"{name}.sequence"]), dtype=ROW)
            for field in ROW.names or ():
                rows[field] = file[f"{name}.{field}"]
            devices[name] = rows
    return devices, facts
