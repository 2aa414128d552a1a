"""Arrays of a survey in one small file, in place of zarr's many: a run with them takes a third of the time.

They are written where and when the zarr store is, through the same safe files and digests.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from swathe.pipeline import Grid
from swathe.safe_files import SafeFolder
from swathe.station import Station
from swathe.store.digests import FileDigest

__all__ = ["LightArrays"]

_LAYERS = ("state", "thickness", "hits", "passes", "last_time", "quality")
_Block = dict[str, Any]


class LightArrays:
    """Has what the daemon uses of `SurveyArrays`."""

    def __init__(
        self,
        path: Path,
        station: Station,
        *,
        on_written: Callable[[str, FileDigest | None], None] | None = None,
    ) -> None:
        del station
        self.path = path
        self._folder = SafeFolder(path.parent)
        self._on_written = on_written

    def renew(self, names: Iterable[str]) -> None:
        """Do nothing: each file is written whole, without reading it."""
        del names

    def open(self) -> None:
        """Write the metadata."""
        self._write("form", b"one file of layers")

    def describe(self, attributes: Mapping[str, Any]) -> None:
        """Write the attributes of the run."""
        self._write("attributes", repr(sorted(attributes.items())).encode())

    def spans_of(self, grid: Grid) -> Iterator[Mapping[int, tuple[int, int]]]:
        """Yield one part, for the whole grid."""
        yield dict.fromkeys(range(grid.shape[0]), (0, grid.shape[1] - 1))

    def blocks(self, grid: Grid, spans: Mapping[int, tuple[int, int]]) -> list[_Block]:
        """Return a copy of the grid."""
        del spans
        return [{name: np.copy(getattr(grid, name)) for name in _LAYERS}]

    def names(self, blocks: Iterable[_Block]) -> Iterator[str]:
        """Yield the files that `write` writes."""
        del blocks
        yield f"{self.path.name}/cells"

    def write(self, blocks: Iterable[_Block]) -> None:
        """Write a copy of the grid."""
        for block in blocks:
            stream = io.BytesIO()
            for name in _LAYERS:
                np.save(stream, block[name])
            self._write("cells", stream.getvalue())

    def _write(self, name: str, data: bytes) -> None:
        whole = f"{self.path.name}/{name}"
        self._folder.replace(whole, data, sync=False)
        if self._on_written is not None:
            self._on_written(whole, FileDigest.of(data))
