"""Walls and readings of them, to try the interval of the minimum on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from swathe.calibration import MinimumInterval, minimum_interval

__all__ = ["WALLS", "Survey", "Truth", "wall_of"]

NOMINAL = 10.0
WALLS = (
    "flat",
    "rough 0.05 mm",
    "rough 0.15 mm",
    "rough 0.3 mm",
    "waves 0.1 mm, 3 cells",
    "waves 0.3 mm, 10 cells",
    "1 pit 0.25 mm",
    "1 pit 1 mm",
    "5 pits 0.3 mm",
    "20 pits to 2 mm, rough 0.03 mm",
)
"""Names of the walls: the figure of roughness is a standard deviation, that of waves a length."""

Floats = NDArray[np.float64]


def wall_of(name: str, cells: int, rng: np.random.Generator) -> Floats:
    """Return the walls of some cells, mm, shape (cells,); drawn again with each call."""
    wall = np.full(cells, NOMINAL)
    words = name.replace(",", "").split()
    match words[0]:
        case "rough":
            wall += float(words[1]) * rng.standard_normal(cells)
        case "waves":
            side = math.ceil(math.sqrt(cells))
            waves = gaussian_filter(rng.standard_normal((side, side)), float(words[3]), mode="wrap")
            wall += float(words[1]) * (waves / waves.std()).ravel()[:cells]
        case "1" | "5":
            wall[rng.choice(cells, int(words[0]), replace=False)] -= float(words[2])
        case "20":
            wall += 0.03 * rng.standard_normal(cells)
            wall[rng.choice(cells, 20, replace=False)] -= rng.uniform(0, 2, 20)
    return wall


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """One survey: what is true, what is found, and what a budget of one reading would state.

    Attributes:
        minimum: of the wall, mm.
        interval: that is found for it.
        single: the minimum reading with two standard uncertainties of a reading to either side.
    """

    minimum: float
    interval: MinimumInterval
    single: tuple[float, float]

    @property
    def holds(self) -> bool:
        """Whether the interval holds the true minimum."""
        return self.interval.low <= self.minimum <= self.interval.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """How a wall is read.

    Attributes:
        wall: name of the wall.
        cells: number of cells.
        readings: of each cell.
        sd: standard deviation of a reading, mm.
        dof: degrees of freedom with which it is known.
        coupling: standard deviation between couplings, mm.
        once: whether one coupling holds for the whole survey, rather than one for each cell.
        common: standard deviation of the calibration's error, mm.
        common_dof: degrees of freedom with which that is known.
        keeps_lowest: whether the minimum reading of each cell is known, as by the rule minimum.
    """

    wall: str
    cells: int = 1000
    readings: int = 1
    sd: float = 0.05
    dof: int = 60
    coupling: float = 0.0
    once: bool = False
    common: float = 0.0
    common_dof: int = 20
    keeps_lowest: bool = True

    def read(self, rng: np.random.Generator) -> Truth:
        """Return one survey of a wall drawn again."""
        wall = wall_of(self.wall, self.cells, rng)
        error = self.common * rng.standard_normal(1)
        error = error + self.coupling * rng.standard_normal(1 if self.once else self.cells)
        noise = self.sd * rng.standard_normal((self.readings, self.cells))
        means, lowest = wall + error + noise.mean(axis=0), wall + error + noise.min(axis=0)
        sd = self.sd * math.sqrt(rng.chisquare(self.dof) / self.dof)
        common = self.common * math.sqrt(rng.chisquare(self.common_dof) / self.common_dof)
        found = minimum_interval(
            means,
            np.full(self.cells, self.readings),
            lowest if self.keeps_lowest else None,
            repeatability=sd,
            repeatability_dof=self.dof,
            coupling=self.coupling,
            common=common,
            common_dof=self.common_dof,
        )
        single = 2 * math.hypot(sd, self.coupling, common)
        thinnest = float(lowest.min())
        return Truth(
            minimum=float(wall.min()),
            interval=found,
            single=(thinnest - single, thinnest + single),
        )
