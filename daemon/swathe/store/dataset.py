"""The grid in memory as the xarray Dataset that its zarr arrays open as."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from swathe.pipeline import Grid
from swathe.store.zarr_store import LAYERS, axis_attributes, layer_attributes

if TYPE_CHECKING:
    import xarray

__all__ = ["dataset_of"]


def dataset_of(grid: Grid, attributes: dict[str, Any]) -> xarray.Dataset:
    """Return the layers of a grid with named dimensions, coordinates in mm and CF attributes.

    Args:
        grid: the cells; their values are copied.
        attributes: of the whole Dataset.
    """
    import xarray

    whole = slice(0, grid.shape[0]), slice(0, grid.shape[1])
    layers = {
        name: (("index", "scan"), grid.layer(name, *whole), layer_attributes(name, grid.rule))
        for name in LAYERS
    }
    axes = {
        axis.name: ((axis.name,), axis.centres, axis_attributes(axis))
        for axis in (grid.scan, grid.index)
    }
    return xarray.decode_cf(xarray.Dataset(layers, axes, attributes))
