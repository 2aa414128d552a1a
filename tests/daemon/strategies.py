"""What the daemon's tests share: Hypothesis strategies and the plain-Python models beside them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.station import Axis
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME, READING

Shape = tuple[int, int]


def axes(*, wrapped: bool | None = None, most_cells: int = 400) -> st.SearchStrategy[Axis]:
    """Axes as a plan may have them: any start, fine and coarse cells."""
    return st.builds(
        Axis,
        name=st.sampled_from(("scan", "index")),
        start=st.floats(-1e4, 1e4),
        resolution=st.floats(1e-3, 1e3),
        cells=st.integers(1, most_cells),
        wrapped=st.booleans() if wrapped is None else st.just(wrapped),
    )


def shapes(most: int = 9) -> st.SearchStrategy[Shape]:
    """Shapes (index, scan) of small grids."""
    return st.tuples(st.integers(1, most), st.integers(1, most))


@st.composite
def cell_sets(draw: st.DrawFn, most: int = 9) -> tuple[Shape, NDArray[np.int64]]:
    """A small grid and some of its cells, rising."""
    rows, columns = draw(shapes(most))
    chosen = draw(st.lists(st.booleans(), min_size=rows * columns, max_size=rows * columns))
    return (rows, columns), np.flatnonzero(chosen)


def entries() -> st.SearchStrategy[Entry]:
    """Journal entries of every kind."""
    times = st.integers(0, 2**62)
    words = st.text(st.characters(codec="utf-8"), max_size=20)
    details = st.dictionaries(words, st.one_of(words, st.integers(-(2**53), 2**53), st.none()))
    return st.one_of(
        st.builds(Chunk, times, st.sampled_from(("gauge", "encoder", "a.b-c_1")), st.binary()),
        st.builds(Sent, times, st.sampled_from(("gauge", "a.b-c_1")), st.binary(), st.booleans()),
        st.builds(PortChange, times, words, words, words),
        st.builds(Tick, times),
        st.builds(Mark, times, st.sampled_from(MarkKind), details),
    )


def flood_fill(
    cells: Iterable[int], shape: Shape, wrapped: tuple[bool, bool] = (False, False)
) -> list[frozenset[int]]:
    """Connected regions of `cells`, by walking from neighbour to neighbour."""
    rows, columns = shape
    todo = set(cells)
    regions = []
    while todo:
        queue = [todo.pop()]
        region = set(queue)
        while queue:
            row, column = divmod(queue.pop(), columns)
            for r, c in (
                (row - 1, column),
                (row + 1, column),
                (row, column - 1),
                (row, column + 1),
            ):
                r_on = r % rows if wrapped[0] else r
                c_on = c % columns if wrapped[1] else c
                cell = r_on * columns + c_on
                if 0 <= r_on < rows and 0 <= c_on < columns and cell in todo:
                    todo.remove(cell)
                    region.add(cell)
                    queue.append(cell)
        regions.append(frozenset(region))
    return sorted(regions, key=min)


def readings(
    times: Iterable[float],
    thickness: Iterable[float] | float = 10.0,
    *,
    amplitude: Iterable[float] | float = 50.0,
    valid: Iterable[bool] | bool = True,
) -> NDArray[Any]:
    """Readings as a decoder gives them, with thickness in mm and times in ns."""
    at = np.asarray(list(times), np.int64)
    found = np.zeros(at.size, READING)
    found["time"] = at
    found["device_time"] = ABSENT_TIME
    found["sequence"] = ABSENT_SEQUENCE
    found["thickness"] = thickness if isinstance(thickness, float) else list(thickness)
    found["time_of_flight"] = found["thickness"] / 2.96
    found["amplitude"] = amplitude if isinstance(amplitude, float) else list(amplitude)
    found["valid"] = valid if isinstance(valid, bool) else list(valid)
    return found
