"""Uncertainty and footprint of a survey, for its record."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.pipeline import Pipeline
from swathe.pipeline.progress.fields import Digits, Snapshot, percent_of
from swathe.station import budget_of

__all__ = [
    "BudgetLine",
    "PlaceLine",
    "PlaceSummary",
    "UncertaintySummary",
    "footprint_percent",
    "place_summary",
    "uncertainty_summary",
]


class BudgetLine(Snapshot):
    """One component of the uncertainty."""

    name: str
    standard_mm: Annotated[float, Digits(5)]
    basis: str


class UncertaintySummary(Snapshot):
    """The uncertainty of a single reading as thick as the minimum, after JCGM 100.

    That the minimum is the lowest of many readings is not in it: see `MinimumSummary`.
    """

    thickness_mm: Annotated[float, Digits(3)]
    components: tuple[BudgetLine, ...]
    standard_mm: Annotated[float, Digits(5)] = Field(description="combined standard uncertainty")
    coverage_factor: Annotated[float | None, Digits(3)]
    expanded_mm: Annotated[float | None, Digits(5)] = Field(
        description="null where no level of confidence is claimed"
    )
    coverage: float | None = Field(
        description="level of confidence, 0 to 1; null where `not_covered` names what keeps it from "
        "being claimed"
    )
    not_covered: tuple[str, ...] = Field((), description="what matters and no component covers")


class PlaceLine(Snapshot):
    """One component of how far a reading's place may be off."""

    name: str
    standard_mm: Annotated[float | None, Digits(4)] = Field(
        description="over all moving readings; null where it is not stated"
    )
    basis: str


class PlaceSummary(Snapshot):
    """How far from its true position along the scan axis a reading may be, after JCGM 100."""

    components: tuple[PlaceLine, ...]
    standard_mm: Annotated[float, Digits(4)] = Field(
        description="combined standard uncertainty of the components that are stated"
    )
    expanded_mm: Annotated[float, Digits(3)] = Field(
        description="95 % of the readings of the moving probe are within it of their true "
        "positions, as far as the components that are stated go"
    )
    coverage: float = Field(0.95, description="level of confidence, 0 to 1")
    readings: int = Field(description="readings of the moving probe")
    not_stated: tuple[str, ...] = Field(
        description="components without a number, which the result does not cover"
    )


def place_summary(pipeline: Pipeline) -> PlaceSummary | None:
    """Return the uncertainty of the places; None before any reading of a moving probe."""
    budget = pipeline.place_budget()
    return None if budget is None else PlaceSummary.model_validate(budget)


def uncertainty_summary(pipeline: Pipeline) -> UncertaintySummary | None:
    """Return the budget of a reading as thick as the minimum; None without one or where unknown."""
    minimum, station = pipeline.minimum, pipeline.station
    if minimum.value is None or (budget := budget_of(station, minimum.value)) is None:
        return None
    return UncertaintySummary(
        thickness_mm=minimum.value,
        components=tuple(
            BudgetLine(name=c.name, standard_mm=c.standard_uncertainty, basis=c.basis)
            for c in budget.components
        ),
        standard_mm=budget.standard_uncertainty,
        coverage_factor=budget.coverage_factor,
        expanded_mm=budget.expanded,
        coverage=budget.coverage,
        not_covered=budget.not_covered,
    )


def footprint_percent(pipeline: Pipeline) -> float | None:
    """Return the share of the required area inside the beam of a reading, %.

    None where the beam's width is not known, and for spots.
    """
    points = pipeline.beam_points()
    return None if points is None else percent_of(*points)
