"""What a survey's record says of how good its numbers are."""

from __future__ import annotations

import math

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from scipy.ndimage import distance_transform_edt

from swathe.calibration import minimum_bias
from swathe.pipeline import CellState, Grid, Pipeline
from swathe.station import beam_on_wall, budget_of, law_of, repeatability_of
from swathe.station.model import CellRule, Station

__all__ = [
    "BudgetLine",
    "CalibrationSummary",
    "UncertaintySummary",
    "calibration_summary",
    "footprint_percent",
    "uncertainty_summary",
]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class CalibrationSummary(_Model):
    """By which law times of flight became thicknesses."""

    velocity_mm_per_us: float
    zero_offset_us: float
    record: str | None = Field(description="identity of the calibration record; null: values given")
    by: str
    time: AwareDatetime | None
    material: str
    corrections: tuple[str, ...] = Field(description="what is applied beside, or switched off")
    warnings: tuple[str, ...]


class BudgetLine(_Model):
    """One component of the uncertainty."""

    name: str
    standard_mm: float
    basis: str


class UncertaintySummary(_Model):
    """How well the least thickness is known, after JCGM 100."""

    thickness_mm: float
    components: tuple[BudgetLine, ...]
    standard_mm: float = Field(description="combined standard uncertainty")
    coverage_factor: float
    expanded_mm: float
    coverage: float = Field(description="level of confidence, 0 to 1")
    least_of: int = Field(description="readings of the cell of which it is the least")
    bias_mm: float = Field(
        description="by how much the least of so many reads thin by chance; not added"
    )


def calibration_summary(station: Station) -> CalibrationSummary | None:
    """Return what is in force; None for an instrument that sends thickness without more."""
    law, record = law_of(station), station.record
    if law is None:
        return None
    return CalibrationSummary(
        velocity_mm_per_us=law.velocity,
        zero_offset_us=law.zero_offset,
        record=None if record is None else record.id,
        by="" if record is None else record.by,
        time=None if record is None else record.time,
        material="" if record is None else record.material or "",
        corrections=law.corrections,
        warnings=() if record is None else tuple(record.warnings),
    )


def uncertainty_summary(pipeline: Pipeline) -> UncertaintySummary | None:
    """Return the budget of the least thickness; None without one, or where it is not known."""
    least, station = pipeline.minimum, pipeline.station
    if least.value is None or (budget := budget_of(station, least.value)) is None:
        return None
    hits = int(pipeline.grid.hits[least.cell])
    least_of = hits if pipeline.grid.rule is CellRule.MINIMUM else 1
    bias = minimum_bias(max(least_of, 1), repeatability_of(station) or 0.0)
    return UncertaintySummary(
        thickness_mm=round(least.value, 4),
        components=tuple(
            BudgetLine(name=c.name, standard_mm=round(c.standard_uncertainty, 5), basis=c.basis)
            for c in budget.components
        ),
        standard_mm=round(budget.standard_uncertainty, 5),
        coverage_factor=round(budget.coverage_factor, 3),
        expanded_mm=round(budget.expanded, 5),
        coverage=budget.coverage,
        least_of=least_of,
        bias_mm=round(bias, 5),
    )


def footprint_percent(grid: Grid, station: Station) -> float | None:
    """Return how much of the required area the beam has seen, %.

    A cell is seen when its centre lies within half the beam's width (-6 dB, on the back wall) of
    the centre of a measured one. None where the beam's width cannot be told.
    """
    width = beam_on_wall(station)
    if width is None:
        return None
    state = grid.state.reshape(grid.shape)
    required = state != CellState.EXCLUDED
    if not required.any():
        return 100.0
    measured = state == CellState.MEASURED
    if not measured.any():
        return 0.0
    axes = (grid.index, grid.scan)
    # Round a pipe the beam reaches over the seam: the far side is laid on beside it.
    pads = [
        (min(math.ceil(width / axis.resolution), axis.cells),) * 2 if axis.wrapped else (0, 0)
        for axis in axes
    ]
    laid = np.pad(measured, pads, mode="wrap")
    distance = distance_transform_edt(~laid, sampling=[axis.resolution for axis in axes])
    inner = tuple(slice(low, low + axis.cells) for (low, _), axis in zip(pads, axes, strict=True))
    seen = distance[inner] <= width / 2 * (1 + 1e-9)
    # Rounded down: what is shown as 100 % is 100 %.
    return int(np.count_nonzero(seen & required)) * 10_000 // int(required.sum()) / 100
