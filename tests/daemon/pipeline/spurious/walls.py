"""Simulated walls with spurious readings of known kind, for the rules' rates of hits and false alarms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.arrays import Cells, Floats
from swathe.pipeline import Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.spurious.cells import SpuriousCells, SpuriousSettings
from swathe.pipeline.spurious.register import ConfirmRegister
from swathe.reading_flags import ReadingFlag, are_unconfirmed
from swathe.station import Axis, CellRule

__all__ = ["KINDS", "WALLS", "Judged", "Wall", "flags_of", "judge", "random_wall"]

NOMINAL = 10.0
PERIOD = 5.92 / (2 * 5.0)
WALLS = ("flat", "tapered", "rough", "pitted", "laminated")
KINDS = ("doubled", "halved", "cycle skip", "noise low", "noise high")
ROWS, COLUMNS = 12, 100


@dataclass(frozen=True)
class Wall:
    """What is read in each cell, and what is true.

    Attributes:
        true: thickness of each cell, mm, shape (rows, columns).
        read: what was read, mm, shape (rows, columns).
        spurious: cells with a spurious reading, by kind.
        pit: the cell of a pit one beam wide; -1 without one.
    """

    true: Floats
    read: Floats
    spurious: dict[str, Cells]
    pit: int


@dataclass(frozen=True)
class Judged:
    """What the rules say.

    Attributes:
        quality: bits of each cell, shape (cells,).
        unconfirmed: whether each cell's value is doubtful and not confirmed, shape (cells,).
        minimum: cell of the confirmed minimum.
        raw: cell of the raw minimum.
        listed: cells to confirm, most dangerous first.
    """

    quality: NDArray[np.uint16]
    unconfirmed: NDArray[np.bool_]
    minimum: int
    raw: int
    listed: list[int]


def _smooth(noise: Floats, times: int) -> Floats:
    for axis in (0, 1):
        for _ in range(times):
            noise = (np.roll(noise, 1, axis) + 2 * noise + np.roll(noise, -1, axis)) / 4
    return np.asarray(noise / noise.std())


def _surface(kind: str, rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    wall = np.full(shape, NOMINAL)
    rows, columns = np.indices(shape)
    if kind == "tapered":
        wall += (columns - shape[1] / 2) * rng.uniform(-0.04, 0.04)
    if kind == "rough":
        wall += rng.uniform(0.1, 0.5) * _smooth(rng.normal(size=shape), 2)
    if kind == "pitted":
        for _ in range(rng.integers(3, 12)):
            row, column = rng.integers(shape[0]), rng.integers(shape[1])
            radius, depth = rng.uniform(1.5, 4), rng.uniform(0.5, 5)
            apart = ((rows - row) ** 2 + (columns - column) ** 2) / radius**2
            wall -= depth * np.clip(1 - apart, 0, None)
    if kind == "laminated":
        row, column = rng.integers(shape[0]), rng.integers(shape[1] - 10)
        inside = (np.abs(rows - row) <= rng.integers(1, 3)) & (columns >= column)
        inside &= columns < column + rng.integers(4, 10)
        wall[inside] = rng.uniform(3, 6)
    return np.asarray(np.clip(wall, 2.0, None))


def random_wall(
    kind: str, rng: np.random.Generator, *, noise: float = 0.03, pit: bool = True
) -> Wall:
    """Return a wall of a kind, with a pit one beam wide and up to four spurious readings of each kind.

    Args:
        kind: one of `WALLS`.
        rng: source of chance.
        noise: standard deviation of a reading, mm.
        pit: whether there is such a pit.
    """
    shape = (ROWS, COLUMNS)
    true = _surface(kind, rng, shape)
    apart = rng.permutation(ROWS // 3 * (COLUMNS // 5))
    row, column = np.divmod(apart, COLUMNS // 5)
    places = (row * 3 + 1) * COLUMNS + column * 5 + 2  # no two in one window
    at = int(places[0]) if pit else -1
    if pit:
        true.flat[at] *= 1 - rng.uniform(0.2, 0.7)
    read = true + rng.normal(scale=noise, size=shape)
    spurious: dict[str, Cells] = {}
    used = 1
    for name in KINDS:
        cells = places[used : used + int(rng.integers(0, 5))]
        used += cells.size
        wall = read.flat[cells]
        match name:
            case "doubled":
                wall = 2 * wall
            case "halved":
                wall = wall / 2
            case "cycle skip":
                wall = wall + PERIOD * rng.choice([-1.0, 1.0], cells.size)
            case "noise low":
                wall = rng.uniform(0.1, 0.9, cells.size) * wall
            case "noise high":
                wall = rng.uniform(1.15, 3, cells.size) * wall
        read.flat[cells] = wall
        spurious[name] = cells
    return Wall(true, read, spurious, at)


def judge(wall: Wall) -> Judged:
    """Return what the rules say once each cell was read once."""
    rows, columns = wall.read.shape
    grid = Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows),
        rule=CellRule.MINIMUM,
    )
    spurious = SpuriousCells(grid, SpuriousSettings(NOMINAL, PERIOD))
    register, minimum = ConfirmRegister(grid, spurious), MinimumThickness(grid)
    cells = np.arange(grid.state.size)
    update = grid.begin_update(cells)
    grid.add(readings(range(cells.size), wall.read.ravel()), cells, 0)
    spurious.cells_changed(update)
    minimum.cells_changed(cells)
    register.add(cells)
    register.evaluate(0, lambda _: True, minimum.raw_cell)
    return Judged(
        grid.quality,
        are_unconfirmed(grid.quality),
        minimum.cell,
        minimum.raw_cell,
        [place.cell for place in register.listed],
    )


def flags_of(kind: str) -> ReadingFlag:
    """Return the bits, any of which says that a reading of this kind was found."""
    low = ReadingFlag.LONE_LOW | ReadingFlag.HALVED | ReadingFlag.CYCLE_SKIP
    high = ReadingFlag.LONE_HIGH | ReadingFlag.DOUBLED | ReadingFlag.CYCLE_SKIP
    return {"doubled": high, "halved": low, "noise low": low, "noise high": high}.get(
        kind, low | high
    )
