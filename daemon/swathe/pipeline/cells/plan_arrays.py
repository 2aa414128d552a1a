"""Arrays with a value for each cell of a plan, of which only what was visited takes memory.

A plan may have 10 billion cells, of which a survey has visited some thousands. Large arrays are
mapped without memory behind them: the operating system gives a page to what is written, and reads
as zeros what is not. They are indexed like any array, at the same cost. Which cells may have
been written is kept by blocks of `BLOCK` cells, so that nothing has to search the whole plan, and a
copy holds the visited blocks alone.

Windows, and Linux with ``vm.overcommit_memory = 2``, promise memory for all of a mapping; where they
refuse it, `PlanMemoryError` tells so.
"""

from __future__ import annotations

import contextlib
import math
import mmap
import platform
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from swathe.arrays import Cells, Ints
from swathe.errors import SwatheError

__all__ = ["BLOCK", "PlanArrays", "PlanMemoryError", "TouchedCells", "plan_zeros"]

BLOCK = 512
"""Cells of a block: those of a page of the largest numbers."""

_SHIFT = BLOCK.bit_length() - 1
# What is smaller is allocated as any array: it costs less than the pages at its borders.
_LARGE_BYTES = 4 << 20
# Cells that a search takes at once.
_AT_ONCE = 1 << 20
_NO_RESERVE = {"x86_64": 0x4000, "aarch64": 0x4000, "armv7l": 0x4000, "i686": 0x4000}


class PlanMemoryError(SwatheError):
    """The operating system does not map the arrays of a plan."""


def plan_zeros(shape: int | tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
    """Return zeros, of which only what is written takes memory.

    Args:
        shape: of the array.
        dtype: of its elements.

    Raises:
        PlanMemoryError: the operating system refuses so much.
    """
    kind, sizes = np.dtype(dtype), (shape,) if isinstance(shape, int) else shape
    size = math.prod(sizes) * kind.itemsize
    if size < _LARGE_BYTES:
        return np.zeros(sizes, kind)
    try:
        memory = _mapped(size)
    except (OSError, MemoryError, OverflowError, ValueError) as error:
        message = (
            f"the plan has too many cells for this computer: it refuses {size / 1e9:.1f} GB of "
            "address space; raise a resolution, or let it promise more than it has "
            "(Linux: sysctl vm.overcommit_memory=0)"
        )
        raise PlanMemoryError(message) from error
    return np.frombuffer(memory, kind, math.prod(sizes)).reshape(sizes)


def _mapped(size: int) -> mmap.mmap:
    if sys.platform == "win32":
        return mmap.mmap(-1, size)
    flags = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS
    if sys.platform == "linux":
        flags |= _NO_RESERVE.get(platform.machine(), 0)
    memory = mmap.mmap(-1, size, flags=flags)
    if hasattr(mmap, "MADV_NOHUGEPAGE"):  # a huge page has 2 MB: a visited cell would take as much
        with contextlib.suppress(OSError):  # of a kernel without huge pages
            memory.madvise(mmap.MADV_NOHUGEPAGE)
    return memory


class TouchedCells:
    """Which blocks of a plan's cells may have been written.

    Args:
        size: cells of the plan.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self._touched = plan_zeros(-(-size // BLOCK), bool)
        self._count = 0

    @property
    def count(self) -> int:
        """Cells of the touched blocks."""
        return int(np.count_nonzero(self._touched)) * BLOCK

    def add(self, cells: Cells) -> None:
        """Add flat cells of the plan, in any order, shape (n,)."""
        self._touched[cells >> _SHIFT] = True

    def add_all(self) -> None:
        """Add all cells of the plan."""
        self._touched[:] = True

    def blocks(self) -> Ints:
        """Return the numbers of the touched blocks, rising; block k has the cells from k·`BLOCK` on."""
        return np.flatnonzero(self._touched)

    def cells(self) -> Iterator[Cells]:
        """Yield the cells of the touched blocks, rising, a million at a time."""
        blocks, within = self.blocks(), np.arange(BLOCK)
        step = _AT_ONCE // BLOCK
        for at in range(0, blocks.size, step):
            cells = (blocks[at : at + step, np.newaxis] * BLOCK + within).ravel()
            yield cells[: np.searchsorted(cells, self.size)]

    def find(self, wanted: Callable[[Cells], NDArray[np.bool_]]) -> Cells:
        """Return the touched cells, rising, for which `wanted` is true; it is given parts of them."""
        parts = [cells[wanted(cells)] for cells in self.cells()]
        return np.concatenate(parts) if parts else np.empty(0, np.int64)

    def highest(self, values: NDArray[np.int64]) -> int:
        """Return the highest of the values of touched cells, 0 without any that is above it."""
        return max((int(values[cells].max(initial=0)) for cells in self.cells()), default=0)

    def any_in(self, first: int, last: int) -> bool:
        """Return whether a block that has some of the cells from `first` to `last` is touched."""
        return bool(self._touched[first >> _SHIFT : (last >> _SHIFT) + 1].any())

    def __getstate__(self) -> dict[str, Any]:
        return {"size": self.size, "blocks": self.blocks()}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["size"])  # type: ignore[misc]
        self._touched[state["blocks"]] = True


@dataclass(frozen=True, slots=True)
class _Packed:
    """The blocks of an array that are not zero: their numbers and values."""

    shape: tuple[int, ...]
    blocks: Ints
    values: NDArray[Any]

    @classmethod
    def of(cls, array: NDArray[Any], blocks: Ints) -> _Packed:
        whole = array.size // array.shape[0] * BLOCK
        full, flat = array.shape[0] // BLOCK, array.reshape(-1)
        inner = blocks[blocks < full]
        rows = flat[: full * whole].reshape(full, whole)
        inner = inner[(rows if inner.size == full else rows[inner]).any(axis=1)]
        values = rows[inner]
        if blocks.size and blocks[-1] == full:  # the last one has fewer cells
            last = np.zeros((1, whole), array.dtype)
            last[0, : flat.size - full * whole] = flat[full * whole :]
            inner, values = np.append(inner, full), np.concatenate((values, last))
        return cls(array.shape, inner, values)

    def array(self) -> NDArray[Any]:
        made = plan_zeros(self.shape, self.values.dtype)
        full, flat = self.shape[0] // BLOCK, made.reshape(-1)
        whole = self.values.shape[1]
        rest = self.blocks.size > 0 and self.blocks[-1] == full
        inner = self.blocks[:-1] if rest else self.blocks
        flat[: full * whole].reshape(full, whole)[inner] = self.values[: inner.size]
        if rest:
            flat[full * whole :] = self.values[-1, : flat.size - full * whole]
        return made


class PlanArrays:
    """Base of what has arrays of a plan's cells: pickled are the touched blocks of large ones.

    Attributes:
        touched: which cells may have been written.
    """

    touched: TouchedCells

    def __getstate__(self) -> dict[str, Any]:
        return {name: self._packed(value) for name, value in self.__dict__.items()}

    def _packed(self, value: object) -> object:
        if not isinstance(value, np.ndarray) or value.nbytes < _LARGE_BYTES:
            return value
        if value.shape[0] == self.touched.size:
            return _Packed.of(value, self.touched.blocks())
        return _Packed.of(value, np.arange(-(-value.shape[0] // BLOCK)))  # of rows or columns

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, value in state.items():
            self.__dict__[name] = value.array() if isinstance(value, _Packed) else value
