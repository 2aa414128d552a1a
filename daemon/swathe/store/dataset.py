"""The grid as an xarray Dataset: from memory, or opened from its zarr arrays.

xarray comes with the extra ``xarray``: acquisition needs neither it nor the pandas that it brings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swathe.errors import SurveyError, SwatheError
from swathe.object_storage import files_of
from swathe.pipeline import Grid
from swathe.store.advice import REPAIR, advice
from swathe.store.folder import SurveyFolder
from swathe.store.layers import (
    LAYERS,
    PROBE_LAYER,
    SPOT_ATTRIBUTES,
    axis_attributes,
    channel_attributes,
    layer_attributes,
    probe_attributes,
    spot_names,
)

if TYPE_CHECKING:
    import xarray

    from swathe_drivers import ChannelFormat

__all__ = ["dataset_from", "dataset_of", "open_dataset"]


def open_dataset(path: Path) -> xarray.Dataset:
    """Return the Dataset of a survey's zarr arrays, read lazily.

    What is read is compared with its digest.

    Raises:
        SurveyError: it is not what was written; reading a chunk that is not raises it as well.
        SwatheError: xarray is not installed.
    """
    _require_xarray()
    import xarray

    from swathe.store.survey_store import SurveyStore

    store = SurveyStore(files_of(path.parent), path.name, read_only=True, verified=True)
    try:
        # Lazy by itself: with chunks, what a script gets would depend on whether dask is installed.
        dataset: xarray.Dataset = xarray.open_zarr(store, zarr_format=3, chunks=None)
    except (OSError, ValueError, KeyError, TypeError) as error:
        remedy = advice(SurveyFolder(path.parent), REPAIR)
        raise SurveyError(path, f"cannot be read ({error}); {remedy}") from error
    return dataset


def dataset_of(
    grid: Grid,
    attributes: dict[str, Any],
    *,
    spots: Sequence[str] = (),
    channels: Sequence[ChannelFormat] = (),
    probes: Sequence[str] = (),
) -> xarray.Dataset:
    """Return the layers of a grid with named dimensions, coordinates in mm and CF attributes.

    Args:
        grid: the cells; their values are copied.
        attributes: of the whole Dataset.
        spots: names of the spots that are the cells of the scan axis; none of an encoded one.
        channels: that the grid keeps.
        probes: names of several probes; none of a single one.

    Raises:
        SwatheError: xarray is not installed.
    """
    _require_xarray()
    import xarray

    whole = slice(0, grid.shape[0]), slice(0, grid.shape[1])
    layers = {
        name: (("index", "scan"), grid.layer(name, *whole), layer_attributes(name, grid.rule))
        for name in LAYERS
    }
    if probes:
        layer = grid.layer(PROBE_LAYER, *whole)
        layers[PROBE_LAYER] = (("index", "scan"), layer, probe_attributes(probes))
    for channel in channels:
        attributes_of = channel_attributes(channel)
        layers[channel.name] = (("index", "scan"), grid.layer(channel.name, *whole), attributes_of)
    axes: dict[str, Any] = {
        axis.name: ((axis.name,), axis.centres, axis_attributes(axis, spots=bool(spots)))
        for axis in (grid.scan, grid.index)
    }
    if spots:
        axes["spot"] = (("scan",), spot_names(spots), SPOT_ATTRIBUTES)
    return xarray.decode_cf(xarray.Dataset(layers, axes, attributes))


def dataset_from(
    layers: Mapping[str, tuple[Sequence[str], Any, Mapping[str, Any]]],
    axes: Mapping[str, tuple[Any, Mapping[str, Any]]],
    attributes: Mapping[str, Any],
) -> xarray.Dataset:
    """Return arrays as a Dataset.

    Args:
        layers: dimensions, values and attributes by name.
        axes: positions and attributes of each dimension, by its name.
        attributes: of the whole Dataset.

    Raises:
        SwatheError: xarray is not installed.
    """
    _require_xarray()
    import xarray

    return xarray.Dataset(
        {
            name: (tuple(dims), values, dict(about))
            for name, (dims, values, about) in layers.items()
        },
        {name: ((name,), values, dict(about)) for name, (values, about) in axes.items()},
        dict(attributes),
    )


def _require_xarray() -> None:
    if find_spec("xarray") is None:
        message = "xarray is not installed: run `pip install 'swathe[xarray]'`"
        raise SwatheError(message)
