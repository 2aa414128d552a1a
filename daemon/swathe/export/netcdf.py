"""netCDF-4: all layers with their coordinates and attributes, band by band."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from swathe.export.source import ExportSource, require
from swathe.pipeline.cells.known_times import NO_TIME

__all__ = ["write_netcdf"]

# Bytes of a layer that are held at a time.
_BAND_BYTES = 32 << 20
_TEXT = "T"  # kind of numpy's dtype of variable-length strings


def write_netcdf(source: ExportSource, path: Path) -> None:
    """Write the arrays of a survey; opened again they are `Survey.arrays`, by name and value.

    Attributes whose names begin with ``survey_`` are added, see `ExportSource.about`. A chunk is as
    in the survey; values are compressed without loss.

    Args:
        source: the survey.
        path: a file that is there, and is written over.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: a package of the extra ``export`` is missing.
    """
    require("h5netcdf", "h5py")
    import h5netcdf
    import h5py

    group = source.arrays
    with h5py.File(path, "w") as stored, h5netcdf.File(stored, "w") as file:
        arrays: dict[str, Any] = dict(sorted(group.arrays()))
        sizes = {
            name: size
            for array in arrays.values()
            for name, size in zip(array.metadata.dimension_names, array.shape, strict=True)
        }
        file.dimensions = sizes
        for name, array in arrays.items():
            _write(file, name, array, h5py.string_dtype())
        file.attrs.update({name: _attribute(value) for name, value in group.attrs.items()})
        file.attrs.update({f"survey_{name}": text for name, text in source.about().items()})


def _write(file: Any, name: str, array: Any, text: Any) -> None:  # noqa: ANN401  of h5netcdf and zarr
    dimensions = array.metadata.dimension_names
    is_text = array.dtype.kind == _TEXT
    options: dict[str, Any] = {}
    if len(dimensions) > 1:
        options = {"chunks": array.chunks, "compression": "gzip", "shuffle": True}
    if array.dtype.kind == "f":
        options["fillvalue"] = np.array(np.nan, array.dtype)
    if name == "last_time":
        options["fillvalue"] = np.int64(NO_TIME)
    dtype = text if is_text else array.dtype
    variable = file.create_variable(name, dimensions, dtype=dtype, **options)
    rows = max(1, _BAND_BYTES // max(1, array.dtype.itemsize * int(np.prod(array.shape[1:]))))
    # Whole chunks are written, so that none is compressed twice.
    rows = max(rows // array.chunks[0], 1) * array.chunks[0]
    for first in range(0, array.shape[0], rows):
        band = slice(first, min(first + rows, array.shape[0]))
        values = np.asarray(array[band])
        variable[band] = values.astype(object) if is_text else values
    for key, value in array.attrs.items():
        # By the CF conventions these have the type of the variable (1.11, section 3.5).
        same = key in ("flag_values", "flag_masks")
        variable.attrs[key] = np.array(value, array.dtype) if same else _attribute(value)


def _attribute(value: Any) -> Any:  # noqa: ANN401  JSON values
    """Return an attribute as netCDF has it, which knows no truth values."""
    if isinstance(value, bool):
        return np.int8(value)
    if isinstance(value, list):
        texts = bool(value) and isinstance(value[0], str)
        return np.array(value, object) if texts else np.array(value)
    return value
