"""Arrays of made-up walls, as a survey has them."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from swathe.evaluation import CellSource
from swathe.pipeline import CellState
from swathe.reading_flags import ReadingFlag

__all__ = ["arrays_of", "random_wall", "source_of"]

UNCONFIRMED = int(ReadingFlag.LONE_LOW)


def arrays_of(
    thickness: ArrayLike,
    *,
    resolution: tuple[float, float] = (1.0, 2.0),
    wrapped: tuple[bool, bool] = (False, False),
    state: ArrayLike | None = None,
    quality: ArrayLike | None = None,
    nominal: float | None = None,
) -> xr.Dataset:
    """Return a wall as a survey's arrays; NaN is unvisited.

    Args:
        thickness: mm, shape (index, scan).
        resolution: of scan and index axis, mm.
        wrapped: whether the (index, scan) axis is a circumference.
        state: of the cells; measured where there is a thickness, unless given.
        quality: flags of the cells.
        nominal: thickness, mm.
    """
    wall = np.asarray(thickness, np.float32)
    read = np.isfinite(wall)
    states = np.where(read, CellState.MEASURED, CellState.UNVISITED) if state is None else state
    layers: dict[str, Any] = {
        "thickness": wall,
        "state": np.asarray(states, np.uint8),
        "quality": np.zeros(wall.shape, np.uint16)
        if quality is None
        else np.asarray(quality, np.uint16),
        "hits": read.astype(np.uint32),
    }
    axes = {
        name: (name, np.arange(size) * width, {"resolution": width, "wrapped": turns})
        for name, size, width, turns in zip(
            ("scan", "index"), wall.shape[::-1], resolution, wrapped[::-1], strict=True
        )
    }
    attributes = {} if nominal is None else {"nominal_thickness_mm": nominal}
    return xr.Dataset(
        {name: (("index", "scan"), values) for name, values in layers.items()}, axes, attributes
    )


def source_of(wall: xr.Dataset, *, band_cells: int = 2_000_000) -> CellSource:
    """Return the cells of a wall."""
    return CellSource.of(wall, band_cells=band_cells)


def random_wall(seed: int, shape: tuple[int, int], *, digits: int = 2) -> xr.Dataset:
    """Return a wall of some 10 mm with holes, doubtful and suspect cells, zones and equal cells."""
    random = np.random.default_rng(seed)
    wall = np.round(random.normal(10, 0.3, shape), digits)
    wall[random.random(shape) < 0.1] = np.nan
    state = np.where(np.isfinite(wall), CellState.MEASURED, random.integers(0, 4, shape))
    state[np.isfinite(wall) & (random.random(shape) < 0.1)] = CellState.SUSPECT
    state[random.random(shape) < 0.05] = CellState.EXCLUDED
    quality = np.where(random.random(shape) < 0.1, UNCONFIRMED, 0)
    return arrays_of(wall, state=state, quality=quality, nominal=10.0)
