"""Figures over the cells of a survey: statistics, low places, thin areas, profiles, extremes.

Everything is computed band by band over the arrays, so that memory stays bounded, and does not
depend on where a band ends. What was not seen is counted next to each figure.
"""

from swathe.evaluation.cells import Band, CellSource
from swathe.evaluation.evaluating import Evaluation, evaluate_arrays
from swathe.evaluation.extremes import BlockMinima, Extremes, probable_minimum
from swathe.evaluation.levels import ThicknessLevel, level_of
from swathe.evaluation.lowest import LowestPlaces, LowPlace
from swathe.evaluation.parts import LevelArea, PartSummary, PartTally
from swathe.evaluation.profiles import LowestProfile, LowestProfiles
from swathe.evaluation.statistics import PERCENTILES, Histogram, Statistics, Tally
from swathe.evaluation.thin_areas import ThinArea, ThinAreas, ThinAreasBelow
from swathe.evaluation.wishes import EvaluationWishes
from swathe.evaluation.zones import Square, SquareGrid, Zone, ZoneSummary, ZoneTally

__all__ = [
    "PERCENTILES",
    "Band",
    "BlockMinima",
    "CellSource",
    "Evaluation",
    "EvaluationWishes",
    "Extremes",
    "Histogram",
    "LevelArea",
    "LowPlace",
    "LowestPlaces",
    "LowestProfile",
    "LowestProfiles",
    "PartSummary",
    "PartTally",
    "Square",
    "SquareGrid",
    "Statistics",
    "Tally",
    "ThicknessLevel",
    "ThinArea",
    "ThinAreas",
    "ThinAreasBelow",
    "Zone",
    "ZoneSummary",
    "ZoneTally",
    "evaluate_arrays",
    "level_of",
    "probable_minimum",
]
