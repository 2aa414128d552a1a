"""The minimum thickness of a survey and the interval for the true one, for its record."""

from __future__ import annotations

from typing import Annotated, Final

import numpy as np
from pydantic import Field

from swathe.arrays import Bools, Cells
from swathe.calibration import (
    INTERVAL_COVERAGE,
    Combined,
    Component,
    MinimumInterval,
    combine,
    minimum_interval,
)
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.progress.fields import Digits, Snapshot
from swathe.reading_flags import are_unconfirmed
from swathe.station import budget_of
from swathe.station.model import CellRule

__all__ = ["MinimumSummary", "minimum_summary"]

METHOD: Final = (
    "from the means of the cells; the thinnest of many noisy cells reads thin by chance, which is "
    "allowed for: inverted tests after Chernozhukov, Lee and Rosen (2013), walls of the other cells "
    "by nonparametric maximum likelihood"
)


class MinimumSummary(Snapshot):
    """The minimum thickness as it was read, and the interval for the true minimum.

    The true minimum is the thinnest of the mean walls of the measured cells. What lies between them, or is
    smaller than the beam, is not in it.
    """

    minimum_mm: Annotated[float | None, Digits(3)] = Field(
        description="minimum thickness as it was read; null without a confirmed one"
    )
    minimum_low_mm: Annotated[float | None, Digits(3)] = Field(
        description="lower end of the interval for the true minimum of the measured cells; null "
        "where `not_stated` gives the reason"
    )
    minimum_high_mm: Annotated[float | None, Digits(3)] = Field(
        description="upper end of that interval"
    )
    minimum_estimate_mm: Annotated[float | None, Digits(3)] = Field(
        description="median of the true minimum under the estimated walls; on a flat wall it is thin by "
        "about a standard deviation of a cell"
    )
    coverage: float = Field(
        INTERVAL_COVERAGE,
        description="level of confidence, 0 to 1: the interval holds the true minimum so often or more",
    )
    cells: int = Field(description="measured cells in the interval")
    suspect_cells: int = Field(description="suspect cells, which are not in it")
    unconfirmed_cells: int = Field(
        description="cells with a doubtful value that nothing confirms, which are not in it"
    )
    uncertain_cells: int = Field(
        description="cells where the times of the readings do not settle whether one was taken in them"
    )
    unplaced_readings: int = Field(description="readings without a position, which are not in it")
    uneven_cells: int = Field(
        description="cells with a reading farther below their mean than noise explains, which count "
        "with their minimum reading"
    )
    repeatability_mm: Annotated[float | None, Digits(4)] = Field(
        description="standard deviation of a reading that the interval rests on"
    )
    repeatability_from_part: bool = Field(
        description="whether that is from the readings within the cells, which scatter more than "
        "the calibration or the station file states"
    )
    method: str = Field(METHOD, description="how the interval is computed")
    not_stated: str = Field("", description="why there is no interval; empty where there is one")


def minimum_summary(pipeline: Pipeline) -> MinimumSummary | None:
    """Return the minimum thickness with the interval for the true one; None before any reading."""
    grid, progress = pipeline.grid, pipeline.progress()
    read = grid.touched.find(lambda cells: np.asarray(grid.hits[cells] > 0))
    measured: Bools = grid.state[read] == CellState.MEASURED
    suspect: Bools = grid.state[read] == CellState.SUSPECT
    doubtful = measured & are_unconfirmed(grid.quality[read])
    cells = read[measured & ~doubtful]
    if not (measured.any() or suspect.any()):
        return None
    uncertain = grid.touched.find(
        lambda cells: np.asarray(grid.state[cells] == CellState.UNCERTAIN)
    )
    interval, not_stated = _interval(pipeline, cells)
    return MinimumSummary(
        minimum_mm=progress.minimum,
        minimum_low_mm=None if interval is None else interval.low,
        minimum_high_mm=None if interval is None else interval.high,
        minimum_estimate_mm=None if interval is None else interval.estimate,
        cells=int(cells.size),
        suspect_cells=int(np.count_nonzero(suspect)),
        unconfirmed_cells=int(np.count_nonzero(doubtful)),
        uncertain_cells=int(uncertain.size),
        unplaced_readings=progress.unplaced,
        uneven_cells=0 if interval is None else interval.uneven,
        repeatability_mm=None if interval is None else interval.repeatability,
        repeatability_from_part=interval is not None and interval.from_part,
        not_stated=not_stated,
    )


def _interval(pipeline: Pipeline, cells: Cells) -> tuple[MinimumInterval | None, str]:
    """Return the interval, or why there is none."""
    grid, station = pipeline.grid, pipeline.station
    if not cells.size:
        return None, "no measured cell is free of doubt"
    means = grid.mean_thickness(cells)
    if not means.min() > 0:
        return None, "the mean of a cell is not above zero"
    budget = budget_of(station, float(means.min()))
    if budget is None:
        return None, "it requires a calibration record with readings of the block"
    if budget.not_covered:
        return None, budget.not_covered[0]
    repeatability, coupling, common = _shares(budget)
    return (
        minimum_interval(
            means,
            grid.hits[cells].astype(np.int64),
            # By another rule the minimum reading of a cell is not kept.
            grid.thickness[cells] if grid.rule is CellRule.MINIMUM else None,
            repeatability=repeatability.standard_uncertainty,
            repeatability_dof=repeatability.dof,
            coupling=coupling.standard_uncertainty,
            coupling_dof=coupling.dof,
            common=common.standard_uncertainty,
            common_dof=max(common.effective_dof, 1.0),
        ),
        "",
    )


def _shares(budget: Combined) -> tuple[Component, Component, Combined]:
    """Return the components of a reading, of a coupling, and of all that readings share, combined."""
    of = {part.name: part for part in budget.components}
    repeatability = of.pop("repeatability")
    coupling = of.pop("coupling")
    return repeatability, coupling, combine(of.values())
