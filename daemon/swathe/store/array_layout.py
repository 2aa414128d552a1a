"""What the metadata of a survey's arrays may say, checked before anything is allocated.

A survey folder may be a stranger's: its ``zarr.json`` could declare a chunk of many GB, or codecs
that this program never writes. Accepted is what `SurveyArrays` writes, in any size up to that of
the largest plan.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from swathe.safe_files import is_dense_json
from swathe.station.check import MOST_CELLS

__all__ = ["MOST_METADATA_BYTES", "ArrayLayout", "group_layouts", "layout_of", "parse_metadata"]

MOST_METADATA_BYTES = 16 << 20
"""A ``zarr.json`` that is larger is not read."""

_MOST_CHUNK_BYTES = 1 << 30
_MOST_TEXT_BYTES = 16 << 20
_MOST_SAMPLES = 1 << 20
_CODECS = ({"bytes", "zstd"}, {"vlen-utf8", "zstd"})
_NUMBERS = frozenset(np.typecodes["AllInteger"] + np.typecodes["Float"])


@dataclass(frozen=True, slots=True)
class ArrayLayout:
    """Shape and chunks of an array.

    Attributes:
        shape: of the array.
        chunks: shape of a chunk.
        dtype: name of its type; ``string`` for texts.
        chunk_bytes: of an unpacked chunk; the most that it may have, for texts.
    """

    shape: tuple[int, ...]
    chunks: tuple[int, ...]
    dtype: str
    chunk_bytes: int

    @property
    def exact(self) -> bool:
        """Whether every chunk has `chunk_bytes` bytes."""
        return self.dtype != "string"


def parse_metadata(data: bytes) -> dict[str, Any]:
    """Return the object in a ``zarr.json``.

    Raises:
        ValueError: it is none, or nested too deeply.
    """
    if is_dense_json(data):
        message = "has more values than metadata of this size"
        raise ValueError(message)
    try:
        document = json.loads(data)
    except RecursionError as error:
        message = "is nested too deeply"
        raise ValueError(message) from error
    if not isinstance(document, dict):
        message = "is no JSON object"
        raise ValueError(message)
    return document


def group_layouts(document: Mapping[str, Any]) -> dict[str, ArrayLayout]:
    """Return the layouts of the arrays that a group's metadata lists.

    Raises:
        ValueError: one is not as this program writes it; names the array.
    """
    consolidated = document.get("consolidated_metadata")
    if consolidated is None:
        return {}
    listed = consolidated.get("metadata") if isinstance(consolidated, dict) else None
    if not isinstance(listed, dict):
        message = "has no list of arrays"
        raise ValueError(message)
    return {str(name): layout_of(str(name), one) for name, one in listed.items()}


def layout_of(name: str, document: object) -> ArrayLayout:
    """Return the layout in an array's metadata.

    Raises:
        ValueError: it is not as this program writes it; names the array.
    """
    try:
        return _layout(document)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        reason = str(error) if type(error) is ValueError else "is incomplete"
        message = f"the array '{name[:80]}' {reason}"
        raise ValueError(message) from error


def _layout(document: Any) -> ArrayLayout:  # noqa: ANN401  JSON
    if document["node_type"] != "array" or document["zarr_format"] != 3:
        message = "is no array of format 3"
        raise ValueError(message)
    shape = _sizes(document["shape"])
    chunks = _sizes(document["chunk_grid"]["configuration"]["chunk_shape"])
    if (
        document["chunk_grid"]["name"] != "regular"
        or document["chunk_key_encoding"]["name"] != "default"
        or document["chunk_key_encoding"]["configuration"]["separator"] != "/"
        or document.get("storage_transformers")
        or len(chunks) != len(shape)
        or any(chunk < 1 or chunk > max(size, 1) for chunk, size in zip(chunks, shape, strict=True))
    ):
        message = "has chunks of another kind than this program writes"
        raise ValueError(message)
    codecs = [codec["name"] for codec in document["codecs"]]
    if set(codecs) not in _CODECS or len(codecs) != 2:
        message = f"is packed otherwise than this program does ({', '.join(map(str, codecs))})"
        raise ValueError(message)
    name = document["data_type"]
    name = name["name"] if isinstance(name, dict) else str(name)
    cells = math.prod(shape[:2])
    samples = math.prod(shape[2:])
    if cells > MOST_CELLS or samples > _MOST_SAMPLES:
        message = f"has {'x'.join(map(str, shape))} elements, more than the largest plan"
        raise ValueError(message)
    if name == "string":
        return ArrayLayout(shape, chunks, name, _MOST_TEXT_BYTES)
    dtype = np.dtype(name)
    if dtype.char not in _NUMBERS:
        message = f"has elements of another kind than this program writes ({name})"
        raise ValueError(message)
    size = math.prod(chunks) * dtype.itemsize
    if size > _MOST_CHUNK_BYTES:
        message = f"has chunks of {size:,} bytes"
        raise ValueError(message)
    return ArrayLayout(shape, chunks, name, size)


def _sizes(value: object) -> tuple[int, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= 3:
        message = "has another number of dimensions than this program writes"
        raise ValueError(message)
    if any(type(one) is not int or one < 0 for one in value):
        message = "has a shape that is none"
        raise ValueError(message)
    return tuple(value)
