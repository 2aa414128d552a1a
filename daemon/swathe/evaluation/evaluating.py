"""The evaluation of a survey: all figures over its cells, read once, and once more for squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from swathe.errors import SwatheError
from swathe.evaluation.cells import BAND_CELLS, Arrays, CellSource
from swathe.evaluation.extremes import BlockMinima, Extremes, probable_minimum
from swathe.evaluation.levels import level_of
from swathe.evaluation.lowest import LowestPlaces, LowPlace
from swathe.evaluation.parts import PartSummary, PartTally
from swathe.evaluation.profiles import LowestProfile, LowestProfiles
from swathe.evaluation.statistics import PERCENTILES
from swathe.evaluation.thin_areas import ThinAreas, ThinAreasBelow
from swathe.evaluation.zones import Square, SquareGrid, Zone, ZoneSummary, ZoneTally
from swathe.store import SurveyRecord, dataset_from

if TYPE_CHECKING:
    import xarray

__all__ = ["Evaluation", "evaluate_arrays"]

_SEPARATION_CELLS = 3
_MEASURED_ONLY = "Measured values only; no statement of fitness for service."


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Figures over the cells of a survey. Lengths are mm, areas mm² on the scanned surface.

    Attributes:
        record: of the survey: its minimum with place and interval, gaps, uncertainties and what the
            beam covered; None of arrays without one.
        nominal: thickness; None where none is stated.
        cell_area: of a cell.
        survey: figures of all cells.
        separation: least distance between the centres of two low places.
        lowest: the lowest places of cells that count, the lowest first.
        lowest_apart: of suspect and unconfirmed cells, likewise.
        may_be_more: whether there may be further low places; only the lowest cells were looked at.
        thin: connected areas below each level.
        profiles: of the lowest thickness along the scan and the index axis.
        zones: figures of each zone.
        square: sides of a square on the (scan, index) axis; None without squares.
        squares: figures of each square, row by row.
        extremes: probable minimum of the area not scanned; None if it was not asked for.
    """

    record: SurveyRecord | None
    nominal: float | None
    cell_area: float
    survey: PartSummary
    separation: float
    lowest: tuple[LowPlace, ...]
    lowest_apart: tuple[LowPlace, ...]
    may_be_more: bool
    thin: tuple[ThinAreasBelow, ...]
    profiles: tuple[LowestProfile, LowestProfile]
    zones: tuple[ZoneSummary, ...]
    square: tuple[float, float] | None
    squares: tuple[Square, ...]
    extremes: Extremes | None

    def profiles_dataset(self) -> xarray.Dataset:
        """Return the profiles over ``scan`` and ``index``: lowest thickness, its place, cells.

        Raises:
            SwatheError: xarray is not installed.
        """
        layers: dict[str, tuple[list[str], Any, dict[str, Any]]] = {}
        for one, across in zip(self.profiles, ("index", "scan"), strict=True):
            for name, values, about, unit in (
                ("lowest", one.lowest, f"lowest thickness over the {across} axis", "mm"),
                ("lowest_at", one.lowest_at, f"{across} position of the lowest thickness", "mm"),
                ("measured", one.measured, "cells that count", "1"),
                ("unseen", one.unseen, "required cells that do not count", "1"),
            ):
                attributes = {"long_name": about, "units": unit}
                layers[f"{name}_along_{one.axis}"] = ([one.axis], values, attributes)
        axes = {str(one.axis): (one.positions, {"units": "mm"}) for one in self.profiles}
        return dataset_from(layers, axes, {"comment": _MEASURED_ONLY})

    def squares_dataset(self) -> xarray.Dataset:
        """Return the squares over the ``index`` and ``scan`` positions of their middles.

        Raises:
            SwatheError: there are none, or xarray is not installed.
        """
        if not self.squares:
            message = "no squares were evaluated: give their side"
            raise SwatheError(message)
        shape = self.squares[-1].row + 1, self.squares[-1].column + 1
        figures = [one.figures for one in self.squares]
        known = [one.statistics for one in figures]
        nothing = float("nan")
        columns: dict[str, tuple[list[float], str, str]] = {
            "minimum": (
                [nothing if one is None else one.minimum for one in known],
                "lowest thickness",
                "mm",
            ),
            "mean_thickness": (
                [nothing if one is None else one.mean for one in known],
                "mean thickness",
                "mm",
            ),
            "standard_deviation": (
                [
                    nothing
                    if one is None or one.standard_deviation is None
                    else one.standard_deviation
                    for one in known
                ],
                "standard deviation of wall and readings",
                "mm",
            ),
            "measured": ([one.measured for one in figures], "cells that count", "1"),
            "unseen": (
                [one.cells - one.measured for one in figures],
                "required cells that do not count",
                "1",
            ),
        }
        layers = {
            name: (
                ["index", "scan"],
                np.array(values).reshape(shape),
                {"long_name": about, "units": unit},
            )
            for name, (values, about, unit) in columns.items()
        }
        first_row = self.squares[: shape[1]]
        first_column = self.squares[:: shape[1]]
        axes = {
            "scan": ([sum(one.scan) / 2 for one in first_row], {"units": "mm"}),
            "index": ([sum(one.index) / 2 for one in first_column], {"units": "mm"}),
        }
        return dataset_from(layers, axes, {"comment": _MEASURED_ONLY})


def evaluate_arrays(
    arrays: Arrays,
    *,
    record: SurveyRecord | None = None,
    levels: Sequence[float | str] = (),
    lowest: int = 10,
    separation: float | None = None,
    zones: Sequence[Zone] = (),
    square: float | None = None,
    percentiles: Sequence[float] = PERCENTILES,
    corners: bool = False,
    extremes: bool = False,
    not_scanned: float | None = None,
    band_cells: int = BAND_CELLS,
) -> Evaluation:
    """Return the figures over the cells of a survey.

    Args:
        arrays: a zarr group or xarray Dataset as a survey has it, in memory, lazy or on dask.
        record: of the survey.
        levels: below which areas are counted: mm, lengths with their unit, or shares of the nominal
            thickness such as ``"80 %"``.
        lowest: so many low places, and so many thin areas a level are described.
        separation: least distance between the centres of two low places, mm; three cells of the
            wider axis, or the width of the beam if that is more, unless given.
        zones: that are evaluated by themselves.
        square: side of squares that are evaluated by themselves, mm, taken to whole cells.
        percentiles: in per cent.
        corners: whether cells that share only a corner are connected in thin areas.
        extremes: whether the probable minimum of the area not scanned is wanted; it requires squares.
        not_scanned: that area, mm²; what the plan requires and was not seen, unless given.
        band_cells: so many cells are read at a time; no result depends on it.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the arrays are none of a survey, or an argument is none.

    Example:
        >>> import swathe
        >>> arrays = swathe.open_survey("penstock-3").arrays()
        >>> found = swathe.evaluate_arrays(arrays, levels=[11.0], square=5.0)
        >>> found.survey.measured, found.survey.cells
        (19, 21)
        >>> round(found.survey.statistics.mean, 2)
        10.97
        >>> found.survey.levels[0].cells
        9
        >>> [round(area.depth, 2) for area in found.thin[0].areas]
        [1.0, 0.05]
        >>> [one.figures.measured for one in found.squares]
        [5, 3, 5, 5, 1]
    """
    source = CellSource.of(arrays, band_cells=band_cells)
    if record is not None and record.spots:
        message = "this survey is one of spots, which have no area: `swathe report` lists each one"
        raise SwatheError(message)
    if any(not 0 <= share <= 100 for share in percentiles):
        message = f"percentiles must be from 0 to 100 (got {list(percentiles)})"
        raise SwatheError(message)
    if extremes and square is None:
        message = "the probable minimum of the area not scanned requires squares: give their side"
        raise SwatheError(message)
    nominal = getattr(arrays, "attrs", {}).get("nominal_thickness_mm")
    limits = [level_of(level, nominal) for level in levels]
    apart = _separation(source, record) if separation is None else separation
    whole = PartTally(source, limits)
    low, low_apart = (LowestPlaces(source, lowest, apart) for _ in range(2))
    thin = [ThinAreas(source, level, corners=corners) for level in limits]
    profiles = LowestProfiles(source)
    parts = [ZoneTally(source, zone, limits) for zone in zones]
    grid = None if square is None else SquareGrid.of(source, square)
    for band in source.bands():
        whole.add(band)
        low.add(band, band.sound)
        low_apart.add(band, band.apart)
        profiles.add(band)
        for areas in thin:
            areas.add(band)
        for part in parts:
            part.add(band)
    profile = record is not None and record.plan is not None and record.plan.profile
    figures = whole.summary(percentiles)
    squares = () if grid is None else tuple(grid.squares(limits, percentiles))
    places, places_apart = low.places(), low_apart.places()
    return Evaluation(
        record=record,
        nominal=nominal,
        cell_area=source.cell_area,
        survey=figures,
        separation=apart,
        lowest=places,
        lowest_apart=places_apart,
        may_be_more=low.exhausted or low_apart.exhausted,
        thin=tuple(areas.result(lowest) for areas in thin),
        profiles=profiles.profiles(),
        zones=tuple(part.summary(percentiles) for part in parts),
        square=None if grid is None else grid.sides,
        squares=squares,
        extremes=_extremes(grid, squares, figures, not_scanned, profile=profile)
        if extremes and grid is not None
        else None,
    )


def _separation(source: CellSource, record: SurveyRecord | None) -> float:
    """Return how far low places are apart unless it is given, mm."""
    beam = None if record is None or record.plan is None else record.plan.beam_width
    width = source.scan.resolution
    if source.index.cells > 1:
        width = max(width, source.index.resolution)
    return max(_SEPARATION_CELLS * width, beam or 0.0)


def _extremes(
    grid: SquareGrid,
    squares: Sequence[Square],
    figures: PartSummary,
    not_scanned: float | None,
    *,
    profile: bool,
) -> Extremes:
    """Return the probable minimum of the area that was not scanned."""
    cell = grid.source.cell_area
    area = (figures.cells - figures.measured) * cell if not_scanned is None else not_scanned
    # What an excluded cell or the end of the grid cuts is no square of the same size.
    equal = [one for one in squares if one.whole and not one.figures.excluded]
    used = [one for one in equal if one.figures.measured == one.figures.cells]
    read = sum(one.figures.measured > 0 for one in equal)
    blocks = BlockMinima(
        np.array(
            [one.figures.minimum.thickness for one in used if one.figures.minimum is not None]
        ),
        np.array([one.row for one in used], np.int64),
        np.array([one.column for one in used], np.int64),
        grid.width * grid.height * cell,
        read - len(used),
        grid.shape,
        (grid.source.index.wrapped, grid.source.scan.wrapped),
    )
    if area <= 0:
        reason = "all that the plan requires was seen: give the area that was not scanned"
        return Extremes((reason,), len(used), blocks.incomplete, blocks.area, 0.0, 0.0)
    found = probable_minimum(blocks, area)
    if not_scanned is not None and profile:
        reason = "a line profile has a length and no area that an area could be compared with"
        refused = (*found.refused, reason)
        return Extremes(refused, len(used), blocks.incomplete, blocks.area, area, 0.0)
    return found
