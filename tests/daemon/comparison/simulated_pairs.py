"""Simulated surveys of one wall at two times, with the truth: for the tests and for the benchmark."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from swathe.arrays import Floats
from swathe.comparison import (
    CellMap,
    PairComparison,
    Registration,
    SurveyErrors,
    WallPattern,
    compare_maps,
    register_by_pattern,
)
from swathe.station import Axis

__all__ = ["CENTRE", "TRUTH", "Setup", "Trial", "Wall", "read_wall", "simulated_pair", "trial"]

_SIZE = (200.0, 150.0)
CENTRE = (100.0, 75.0)
# Shift along scan and index axis, mm, and rotation, degrees, of the second survey's datum.
TRUTH = (7.0, -3.0, 1.0)
_MARGIN = 60.0

Kind = Literal["pits", "flat", "grooves", "plane", "repeating"]


class Wall:
    """A wall of 12 mm with its features; positions are of the part, mm."""

    def __init__(
        self, random: np.random.Generator, kind: Kind = "pits", *, features: int = 40
    ) -> None:
        self.kind = kind
        width, height = (size + 2 * _MARGIN for size in _SIZE)
        self._x, self._y = random.uniform(0, width, features), random.uniform(0, height, features)
        self._radius = random.uniform(6, 25, features)
        self._depth = random.exponential(0.75, features)

    def thickness(self, x: Floats, y: Floats) -> Floats:
        """Return the thickness at positions on a grid: x of the columns and y of the rows differ freely."""
        if self.kind == "plane":
            return 12 - 0.01 * x + 0.005 * y
        if self.kind == "grooves":
            return 12 - 0.5 * np.sin(x / 15) - 0.3 * np.sin(x / 7 + 1)
        if self.kind == "repeating":
            return 12 - 0.5 * np.cos(2 * np.pi * x / 18) * np.cos(2 * np.pi * y / 18)
        wall = np.full(x.shape, 12.0)
        if self.kind == "pits":
            for a, b, radius, depth in zip(
                self._x, self._y, self._radius, self._depth, strict=True
            ):
                wall -= depth * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * radius**2))
        return wall


@dataclass(frozen=True, slots=True)
class Setup:
    """How two surveys are simulated. Lengths are mm.

    Attributes:
        kind: of the wall.
        loss: of the whole wall in a year; a place loses three times as much.
        repeatability: standard deviation of a reading.
        velocity: standard deviation of the shared relative error of velocity.
        offset: standard deviation of the shared error that is the same at each thickness.
        line: standard deviation of an error that a line of the scan has by itself.
        gaps: share of cells without a reading.
        resolutions: of the first and the second survey, (scan, index) each.
        size: share of the area's sides that is scanned.
    """

    kind: Kind = "pits"
    loss: float = 0.2
    repeatability: float = 0.05
    velocity: float = 0.002
    offset: float = 0.02
    line: float = 0.0
    gaps: float = 0.03
    resolutions: tuple[tuple[float, float], tuple[float, float]] = ((2.0, 2.0), (2.0, 2.5))
    size: float = 1.0

    @property
    def errors(self) -> SurveyErrors:
        """What is known of the readings: repeatability and shared errors, not the lines'."""
        walls = np.linspace(3, 15, 13)
        return SurveyErrors(
            repeatability=self.repeatability,
            thickness=walls,
            shared=np.hypot(walls * self.velocity, self.offset),
        )


def read_wall(
    random: np.random.Generator,
    wall: Wall,
    setup: Setup,
    resolution: tuple[float, float],
    *,
    moved: tuple[float, float, float] = (0.0, 0.0, 0.0),
    years: float = 0.0,
) -> tuple[CellMap, Floats]:
    """Return a survey as it was read, and the true loss at each of its cells."""
    scan, index = (
        Axis(name, 0.0, width, int(side * setup.size / width) + 1)
        for name, width, side in zip(("scan", "index"), resolution, _SIZE, strict=True)
    )
    columns, rows = np.meshgrid(scan.centres, index.centres)
    datum = Registration(scan=moved[0], index=moved[1], rotation=moved[2], centre=CENTRE)
    x, y = (each + _MARGIN for each in datum.to_earlier(columns, rows))
    strong = np.exp(-((x - 160) ** 2 + (y - 110) ** 2) / (2 * 25.0**2))
    loss = setup.loss * years * (1 + 2 * strong)
    true = wall.thickness(x, y) - loss
    shared = true * random.normal(0, setup.velocity) + random.normal(0, setup.offset)
    lines = random.normal(0, setup.line, (index.cells, 1))
    read = true + shared + lines + random.normal(0, setup.repeatability, true.shape)
    read[random.random(true.shape) < setup.gaps] = np.nan
    return CellMap.of_arrays(read, scan, index), loss


def simulated_pair(seed: int, setup: Setup) -> tuple[CellMap, CellMap, Floats]:
    """Return two surveys a year apart, and the true loss at the cells of the second one."""
    random = np.random.default_rng(seed)
    wall = Wall(random, setup.kind)
    first, second = setup.resolutions
    earlier, _ = read_wall(random, wall, setup, first)
    later, loss = read_wall(random, wall, setup, second, moved=TRUTH, years=1.0)
    return earlier, later, loss


@dataclass(frozen=True, slots=True)
class Trial:
    """A simulated pair compared, next to the truth.

    Attributes:
        pattern: what the pattern shows.
        off: by how much shift and rotation are off, mm and degrees; None where they were refused.
        held: whether each of their 95 % intervals holds the truth.
        pair: the comparison; None where it was refused.
        rate: true mean rate of the pairs, mm/year.
        rate_held: whether the interval of the rate holds it.
        false_share: of the cells marked as lost, those that did not lose anything.
    """

    pattern: WallPattern
    off: Floats | None = None
    held: tuple[bool, ...] = ()
    pair: PairComparison | None = None
    rate: float = math.nan
    rate_held: bool = False
    false_share: float = 0.0


def trial(seed: int, setup: Setup, *, search: float = 25.0) -> Trial:
    """Return a simulated pair, registered by its pattern and compared."""
    earlier, later, loss = simulated_pair(seed, setup)
    pattern = register_by_pattern(earlier, later, search=search)
    if pattern.registration is None:
        return Trial(pattern)
    found = pattern.registration.at(CENTRE)
    off = np.array([found.scan, found.index, found.rotation]) - TRUTH
    half = 1.96 * np.array(found.standard)
    pair = compare_maps(earlier, later, 1.0, found, (setup.errors, setup.errors))
    pairs = pair.differences.pairs
    rate = pair.rate(pair.differences.mean(pairs))
    assert rate is not None
    assert rate.low is not None
    assert rate.high is not None
    true = float(loss[pairs].mean())
    marked = pair.loss
    return Trial(
        pattern,
        off,
        tuple((np.abs(off) <= half).tolist()),
        pair,
        true,
        rate.low <= true <= rate.high,
        float(np.mean(loss[marked] == 0)) if marked.any() else 0.0,
    )
