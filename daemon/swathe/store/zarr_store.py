"""The grid as chunked zarr arrays that any reader opens: ``xarray.open_zarr(path)``.

Dimensions are named, coordinates are in mm, attributes follow the CF conventions (flag_values and
flag_meanings for the state). Only whole chunks are written, each replaced atomically by the store;
temporary files that a kill leaves are removed at the next start.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby, product
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swathe.errors import SurveyError
from swathe.pipeline import Grid, runs_of
from swathe.pipeline.cells.unvisited import touched_runs
from swathe.safe_files import SafeFolder, UnsafeFileError
from swathe.station import Station, kept_waveforms
from swathe.store.attributes import survey_attributes
from swathe.store.digests import FileDigest
from swathe.store.layers import WAVEFORM_CHUNK, create_lacking, layer_chunks, layer_names

if TYPE_CHECKING:
    import zarr

    from swathe.store.survey_store import SurveyStore

__all__ = ["GridBlock", "SurveyArrays"]

_NEW = ".new"
_OLD = ".old"


@dataclass(frozen=True, slots=True)
class GridBlock:
    """A rectangle of whole chunks of the grid, and the layers' values there."""

    rows: slice
    columns: slice
    layers: dict[str, NDArray[Any]]


class SurveyArrays:
    """The zarr group of one survey; one writer at a time.

    Args:
        path: the group's folder, in that of the survey.
        station: fixes shape, chunks and attributes.
        on_written: called with the name of a file, relative to the survey's folder, and its digest;
            None when it was removed.
    """

    def __init__(
        self,
        path: Path,
        station: Station,
        *,
        on_written: Callable[[str, FileDigest | None], None] | None = None,
    ) -> None:
        self.path = path
        self._folder = SafeFolder(path.parent)
        self._on_written = on_written
        self._station = station
        self._chunks = layer_chunks(station)
        self._group: zarr.Group | None = None
        self._waveforms = kept_waveforms(station)
        self._layers = layer_names(station)
        self._renewed: set[str] = set()

    def renew(self, names: Iterable[str]) -> None:
        """Let metadata be written again by `open` without reading it: it may be half of what it was.

        Until then the old file stays, so that another kill leaves a group that opens.

        Args:
            names: of the files, relative to the survey's folder.
        """
        self._renewed |= set(names)

    def open(self) -> None:
        """Open the group for writing, and create what it lacks.

        A new group appears with all that it has, or not at all. Arrays of another shape are created
        again, empty.

        Raises:
            SurveyError: it cannot be written.
        """
        try:
            self._sweep()
            if not self._folder.is_file(f"{self.path.name}/zarr.json"):
                self._replace_group()
            # What the arrays themselves say counts: the list in the group is written again below.
            group = self._opened()
            if "state" in group and group["state"].shape != self._station.shape:  # type: ignore[union-attr]
                # The plan was extended; all cells are written again from the journal.
                self._replace_group()
                group = self._opened()
            create_lacking(group, self._station)
            self._set_attributes(group, survey_attributes(self._station))
            for name in sorted(self._renewed):  # of arrays that the survey no longer has
                self._folder.remove(name)
                self._note(name, None)
            self._renewed.clear()
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error
        self._group = group

    def _store(self, below: str) -> SurveyStore:
        """Return the store of the group, also while it is made under another name."""
        from swathe.store.survey_store import SurveyStore

        def noted(name: str, digest: FileDigest | None) -> None:
            self._note(self.path.name + name.removeprefix(below), digest)

        return SurveyStore(self._folder, below, on_written=noted, absent=self._renewed)

    def _opened(self) -> zarr.Group:
        # Imported here: zarr takes a tenth of a second to import, and the ports do not wait for it.
        import zarr

        store = self._store(self.path.name)
        return zarr.open_group(store, mode="a", zarr_format=3, use_consolidated=False)

    def _note(self, name: str, digest: FileDigest | None) -> None:
        if self._on_written is not None:
            self._on_written(name, digest)

    def _replace_group(self) -> None:
        """Make a new group under another name, and put it in the place of what there is."""
        import zarr

        name = self.path.name
        if name in self._folder.entries() and not self._folder.is_folder(name):
            raise UnsafeFileError(self.path, "is a link or no folder: not written")
        group = zarr.open_group(self._store(name + _NEW), mode="w", zarr_format=3)
        create_lacking(group, self._station)
        self._set_attributes(group, survey_attributes(self._station))
        before = set(self._folder.names(name))
        if self._folder.is_folder(name):
            self._folder.move(name, name + _OLD)
        self._folder.move(name + _NEW, name)
        self._renewed.clear()
        for lost in sorted(before - set(self._folder.names(name))):
            self._note(lost, None)
        self._folder.remove_folder(name + _OLD)

    def describe(self, attributes: Mapping[str, Any]) -> None:
        """Set attributes of the whole survey, such as what is known only at the end of a run.

        Args:
            attributes: by name; one that is None is removed.

        Raises:
            SurveyError: the disk is full or absent.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        try:
            self._set_attributes(group, attributes)
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error

    def _set_attributes(self, group: zarr.Group, attributes: Mapping[str, Any]) -> None:
        import zarr

        known = {**group.attrs.asdict(), **attributes}
        # In the order of their names: which of them was known first is no part of the result.
        group.attrs.put({key: known[key] for key in sorted(known) if known[key] is not None})
        with warnings.catch_warnings():
            # Readers open it faster so; libraries that ignore it lose nothing.
            warnings.filterwarnings("ignore", message="Consolidated metadata")
            zarr.consolidate_metadata(group.store)

    @property
    def band_height(self) -> int:
        """Rows of whole chunks of every layer: a multiple of it begins a chunk."""
        if self._waveforms is None:
            return self._chunks[0]
        return math.lcm(self._chunks[0], min(WAVEFORM_CHUNK[0], self._station.shape[0]))

    def spans_of(self, grid: Grid) -> Iterator[Mapping[int, tuple[int, int]]]:
        """Yield `spans`, a band of chunks each, that hold all touched cells and all that is on the disk.

        Args:
            grid: the cells.
        """
        height, width = self.band_height, self._chunks[1]
        rows, columns = grid.shape
        found = touched_chunks(grid, height, width)
        for name in (*self._layers, *(() if grid.waveform is None else ("waveform",))):
            tall, wide = self._chunks if name != "waveform" else WAVEFORM_CHUNK
            start = f"{self.path.name}/{name}/c/"
            for file in self._folder.names(start.rstrip("/")):
                row, column = map(int, file.removeprefix(start).split("/")[:2])
                found.add((row * tall // height, column * wide // width))
        for band, chunks in groupby(sorted(found), key=itemgetter(0)):
            held = np.array([chunk for _, chunk in chunks])
            for first, last in runs_of(held):
                span = first * width, min((last + 1) * width, columns) - 1
                band_rows = range(band * height, min((band + 1) * height, rows))
                yield dict.fromkeys(band_rows, span)

    def blocks(self, grid: Grid, spans: Mapping[int, tuple[int, int]]) -> list[GridBlock]:
        """Copy the whole chunks that hold changed cells, so that they can be written during the scan.

        Args:
            grid: the cells.
            spans: by row, first and last column of what changed.
        """
        blocks = [
            GridBlock(
                rows, columns, {name: grid.layer(name, rows, columns) for name in self._layers}
            )
            for rows, columns in _whole_chunks(spans, self._chunks, grid.shape)
        ]
        if grid.waveform is not None:
            cube = grid.waveform.reshape(*grid.shape, -1)
            blocks += [
                GridBlock(rows, columns, {"waveform": cube[rows, columns].copy()})
                for rows, columns in _whole_chunks(spans, WAVEFORM_CHUNK, grid.shape)
            ]
        return blocks

    def names(self, blocks: Iterable[GridBlock]) -> Iterator[str]:
        """Yield the names of the files that hold blocks, relative to the survey's folder.

        Raises:
            SurveyError: the disk is full or absent.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        for block in blocks:
            for layer in block.layers:
                chunks = group[layer].chunks  # type: ignore[union-attr]
                rows, columns = (
                    range(part.start // size, -(-part.stop // size))
                    for part, size in zip((block.rows, block.columns), chunks[:2], strict=True)
                )
                last = "/0" * (len(chunks) - 2)
                for row, column in product(rows, columns):
                    yield f"{self.path.name}/{layer}/c/{row}/{column}{last}"

    def write(self, blocks: Iterable[GridBlock]) -> None:
        """Write blocks of whole chunks; may run in another thread, but only one at a time.

        Raises:
            SurveyError: the disk is full or absent. The journal has everything; make room and
                ``swathe rebuild``.
        """
        if self._group is None:
            self.open()
        group = self._group
        assert group is not None  # noqa: S101  opened just before
        try:
            for block in blocks:
                for name, values in block.layers.items():
                    group[name][block.rows, block.columns] = values  # type: ignore[index]
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error

    def _sweep(self) -> None:
        """Remove what a kill left: temporary files, and a group that was not in its place yet."""
        for name in list(self._folder.names(self.path.name)):
            if name.endswith(".partial"):
                self._folder.remove(name)
        for end in (_NEW, _OLD):
            self._folder.remove_folder(self.path.name + end)


def _whole_chunks(
    spans: Mapping[int, tuple[int, int]], chunk: tuple[int, int], shape: tuple[int, int]
) -> list[tuple[slice, slice]]:
    """Return the rows and columns of whole chunks that hold the spans, one rectangle a band of chunks."""
    (height, width), (rows, columns) = chunk, shape
    bands: dict[int, tuple[int, int]] = {}
    for row, (first, last) in spans.items():
        before = bands.get(row // height, (first, last))
        bands[row // height] = min(first, before[0]), max(last, before[1])
    return [
        (
            slice(band * height, min((band + 1) * height, rows)),
            slice(first // width * width, min((last // width + 1) * width, columns)),
        )
        for band, (first, last) in sorted(bands.items())
    ]


def touched_chunks(grid: Grid, height: int, width: int) -> set[tuple[int, int]]:
    """Return row and column of the chunks of `height` × `width` cells that hold touched ones."""
    columns = grid.shape[1]
    across = -(-columns // width)
    held = touched_runs(grid)
    low = held.first % columns // width
    count = held.last % columns // width - low + 1
    row = np.repeat(held.first // columns // height, count)
    within = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
    numbers = np.unique(row * across + np.repeat(low, count) + within)
    return {divmod(number, across) for number in numbers.tolist()}
