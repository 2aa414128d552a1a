"""Memory and time of evaluating many cells: a zarr store on disk, as a survey has it, read in a process of its own.

``python tests/benchmarks/evaluate.py [--cells 400000000]`` makes the store in a temporary folder, with
three quarters of a wall of readings and the rest unvisited, and prints the peak memory and the seconds of
the evaluation: statistics, two levels with their thin areas, ten low places, profiles, squares.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import zarr

from swathe.evaluation import evaluate_arrays
from swathe.pipeline import CellState

_COLUMNS = 20_000
_CHUNKS = (64, 4096)


def make(path: Path, rows: int) -> None:
    """Write the store: a wall of 10 mm with pits and noise; the last quarter is unvisited."""
    group = zarr.open_group(path, mode="w", zarr_format=3)
    layers = dict[str, zarr.Array[Any]]()
    kinds = {"thickness": "float32", "hits": "uint32", "state": "uint8", "quality": "uint16"}
    for name, kind in kinds.items():
        fill = np.nan if kind == "float32" else 0
        layers[name] = group.create_array(
            name, shape=(rows, _COLUMNS), chunks=_CHUNKS, dtype=kind, fill_value=fill
        )
    for name, size in (("scan", _COLUMNS), ("index", rows)):
        group.create_array(
            name, data=np.arange(size) * 0.5, attributes={"resolution": 0.5, "wrapped": False}
        )
    group.attrs["nominal_thickness_mm"] = 10.0
    random = np.random.default_rng(1)
    pits = random.random((rows, _COLUMNS // 100)) < 0.0002
    for row in range(0, rows * 3 // 4, _CHUNKS[0]):
        part = slice(row, min(row + _CHUNKS[0], rows * 3 // 4))
        noise = random.integers(-6, 7, (part.stop - part.start, 1 + _COLUMNS // 50)) / 100
        wall = 10 + np.repeat(noise, 50, axis=1)[:, :_COLUMNS]
        wall -= 3 * np.repeat(pits[part], 100, axis=1)
        layers["thickness"][part] = wall.astype(np.float32)
        layers["hits"][part] = 1
        layers["state"][part] = int(CellState.MEASURED)


def measure(path: Path) -> None:
    """Evaluate the store and print what it took."""
    begin = time.perf_counter()
    found = evaluate_arrays(
        zarr.open_group(path, mode="r"), levels=["8 mm", "99.5 %"], square=200.0
    )
    seconds = time.perf_counter() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert found.survey.statistics is not None
    print(
        f"{found.survey.cells:,} cells, {found.survey.measured:,} measured, "
        f"{len(found.squares):,} squares, thin areas {', '.join(f'{one.count:,}' for one in found.thin)}: "
        f"peak memory {peak:,.0f} MiB, {seconds:.0f} s"
    )


def main() -> None:
    """Make a store, and evaluate it in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, default=400_000_000)
    parser.add_argument("--evaluate", type=Path)
    options = parser.parse_args()
    if options.evaluate is not None:
        measure(options.evaluate)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "survey.zarr"
        make(path, options.cells // _COLUMNS)
        subprocess.run([sys.executable, __file__, "--evaluate", str(path)], check=True)


if __name__ == "__main__":
    main()
