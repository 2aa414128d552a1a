"""Two surveys compared: differences, which of them are significant, the rate of loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.comparison.cell_map import CellMap
from swathe.comparison.dated import DAYS_PER_YEAR
from swathe.comparison.differences import CellDifferences, differences_of
from swathe.comparison.pattern import WallPattern
from swathe.comparison.rates import Estimate, estimate
from swathe.comparison.registration import Registration
from swathe.comparison.significance import benjamini_hochberg, one_sided
from swathe.comparison.survey_errors import SurveyErrors
from swathe.store import dataset_from

if TYPE_CHECKING:
    import xarray

__all__ = ["LEAST_YEARS", "LossPlace", "PairComparison", "compare_maps"]

LEAST_YEARS: Final = 1 / DAYS_PER_YEAR
"""Between surveys that are less apart, a day, no rate is stated."""

_MEASURED_ONLY: Final = "Measured values only; no statement of fitness for service."
_MOST_CANDIDATES: Final = 50_000


@dataclass(frozen=True, slots=True)
class LossPlace:
    """A place with a significant loss.

    Attributes:
        scan: of its cell in the later survey, mm.
        index: likewise.
        before: thickness in the earlier survey, mm.
        now: thickness in the later one, mm: the mean of its readings.
        difference: later less earlier, mm, with an interval that allows for its having been chosen.
    """

    scan: float
    index: float
    before: float
    now: float
    difference: Estimate


@dataclass(frozen=True, slots=True)
class PairComparison:
    """An earlier survey compared with a later one.

    Attributes:
        earlier: name of the earlier survey.
        later: name of the later one.
        years: between them.
        differences: cell by cell.
        errors: of the earlier and of the later survey.
        loss: cells with a significant loss, shape (index, scan).
        growth: cells with a significant growth: a matter of the measurement, never a gain of wall.
        level: of either of the two: of the cells marked, no more than this share is marked by chance,
            on average; where nothing has changed any is marked as often at most.
        earlier_outside: measured cells of the earlier map whose places the later survey's grid lacks.
        pattern: what the wall pattern shows of shift and rotation; None where it was not looked at.
        notes: on dates and errors.
    """

    earlier: str
    later: str
    years: float
    differences: CellDifferences
    errors: tuple[SurveyErrors, SurveyErrors]
    loss: Bools
    growth: Bools
    level: float
    earlier_outside: int
    pattern: WallPattern | None
    notes: tuple[str, ...]

    def rate(self, mean: Estimate | None) -> Estimate | None:
        """Return a mean difference as a rate of loss, mm/year: above 0 where the wall reads thinner.

        None without a difference, and where the surveys are less than a day apart.
        """
        if mean is None or self.years < LEAST_YEARS:
            return None
        return mean.scaled(-1 / self.years)

    @property
    def registration(self) -> Registration:
        """By which places were paired."""
        return self.differences.registration

    def loss_places(self, most: int, separation: float) -> tuple[LossPlace, ...]:
        """Return the places with the strongest significant loss, at least so far apart, mm.

        Their intervals are of the level ``1 - level * marked / pairs``: Y. Benjamini and D. Yekutieli,
        False discovery rate-adjusted confidence intervals for selected parameters, J. American
        Statistical Association 100, 71 (2005); from memory. An interval of 95 % for a place that
        was chosen for its loss would hold it less often.
        """
        one = self.differences
        marked = np.flatnonzero(self.loss)
        if not marked.size:
            return ()
        coverage = 1 - self.level * marked.size / np.count_nonzero(one.pairs)
        order = marked[np.argsort(one.values.ravel()[marked], kind="stable")][:_MOST_CANDIDATES]
        standard, dof = one.standard.ravel(), one.dof.ravel()
        found: list[LossPlace] = []
        scan, index = one.later.scan, one.later.index
        for cell in order.tolist():
            if len(found) == most:
                break
            row, column = divmod(cell, scan.cells)
            x, y = float(scan.centres[column]), float(index.centres[row])
            if any(
                np.hypot(scan.distance(x, o.scan), index.distance(y, o.index)) < separation
                for o in found
            ):
                continue
            found.append(
                LossPlace(
                    x,
                    y,
                    float(one.before.ravel()[cell]),
                    float(one.later.mean.ravel()[cell]),
                    estimate(
                        float(one.values.ravel()[cell]),
                        float(standard[cell]),
                        float(dof[cell]),
                        coverage=coverage,
                    ),
                )
            )
        return tuple(found)

    def dataset(self) -> xarray.Dataset:
        """Return the comparison over (index, scan) of the later survey; coordinates are in mm.

        Raises:
            SwatheError: xarray is not installed.
        """
        one = self.differences
        marks = np.where(self.loss, 1, np.where(self.growth, 2, 0)).astype(np.uint8)
        marks[~one.pairs] = 3
        columns: dict[str, tuple[Any, str, str]] = {
            "difference": (one.values, "later less earlier thickness", "mm"),
            "standard_uncertainty": (one.standard, "standard uncertainty of the difference", "mm"),
            "rate": (-one.values / self.years, "rate of loss", "mm/year"),
            "earlier_thickness": (one.before, "mean thickness of the earlier survey", "mm"),
            "later_thickness": (one.later.mean, "mean thickness of the later survey", "mm"),
        }
        layers: dict[str, tuple[list[str], Any, dict[str, Any]]] = {
            name: (["index", "scan"], values, {"long_name": about, "units": unit})
            for name, (values, about, unit) in columns.items()
        }
        layers["significant"] = (
            ["index", "scan"],
            marks,
            {
                "long_name": "whether the difference is more than errors explain",
                "flag_values": np.arange(4, dtype=np.uint8),
                "flag_meanings": "not_significant loss growth_of_measurement no_pair",
                "false_discovery_rate": self.level,
            },
        )
        axes = {
            axis.name: (
                axis.centres,
                {"units": "mm", "resolution": axis.resolution, "wrapped": int(axis.wrapped)},
            )
            for axis in (one.later.scan, one.later.index)
        }
        about = {
            "comment": _MEASURED_ONLY,
            "earlier": self.earlier,
            "later": self.later,
            "years": self.years,
        }
        return dataset_from(layers, axes, about)


def compare_maps(
    earlier: CellMap,
    later: CellMap,
    years: float,
    registration: Registration,
    errors: tuple[SurveyErrors, SurveyErrors],
    *,
    level: float = 0.05,
    names: tuple[str, str] = ("earlier", "later"),
    pattern: WallPattern | None = None,
    notes: tuple[str, ...] = (),
) -> PairComparison:
    """Return the comparison of two maps.

    Args:
        earlier: map of the earlier survey.
        later: map of the later one.
        years: between them, > 0.
        registration: from places of the earlier to those of the later one.
        errors: of the two surveys.
        level: of significance, over all cells together.
        names: of the two surveys.
        pattern: what the wall pattern shows.
        notes: on dates.

    Raises:
        SwatheError: the maps cannot be compared.
    """
    found = differences_of(earlier, later, registration, errors)
    nothing = np.zeros(found.values.shape, np.bool_)
    loss, growth = nothing, nothing
    if not found.missing:
        ratio: Floats = found.values / found.standard
        dof = found.dof
        loss, _ = benjamini_hochberg(one_sided(-ratio, dof), level)
        growth, _ = benjamini_hochberg(one_sided(ratio, dof), level)
    return PairComparison(
        names[0],
        names[1],
        years,
        found,
        errors,
        loss,
        growth,
        level,
        _outside(earlier, later, registration),
        pattern,
        notes,
    )


def _outside(earlier: CellMap, later: CellMap, registration: Registration) -> int:
    """Return how many measured cells of the earlier map are outside the later grid."""
    rows, columns = np.nonzero(earlier.counts)
    scan, index = registration.to_later(earlier.scan.centres[columns], earlier.index.centres[rows])
    inside = (later.scan.cell(scan) >= 0) & (later.index.cell(index) >= 0)
    return int(np.count_nonzero(~inside))
