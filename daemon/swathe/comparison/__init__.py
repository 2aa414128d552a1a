"""Surveys of one part at different times: registration, differences, rates, remaining life, trend."""

from swathe.comparison.cell_map import MOST_MAP_CELLS, CellMap, map_of
from swathe.comparison.comparing import Comparison, PartComparison, compare_dated
from swathe.comparison.dated import DatedSurvey, SurveyDate
from swathe.comparison.differences import CellDifferences, differences_of
from swathe.comparison.finding import dates_of_part
from swathe.comparison.pairing import Align
from swathe.comparison.pairs import LEAST_YEARS, LossPlace, PairComparison, compare_maps
from swathe.comparison.parts import LowestReading, PartArea, PartDifference
from swathe.comparison.pattern import WallPattern, register_by_pattern
from swathe.comparison.rates import Estimate, Life, estimate, remaining_life
from swathe.comparison.registration import Registration
from swathe.comparison.series import trend_of
from swathe.comparison.significance import benjamini_hochberg
from swathe.comparison.survey_errors import SurveyErrors
from swathe.comparison.trend import (
    Trend,
    TrendFit,
    TrendPair,
    TrendPoint,
    ZoneTrend,
    fit_trend,
)

__all__ = [
    "LEAST_YEARS",
    "MOST_MAP_CELLS",
    "Align",
    "CellDifferences",
    "CellMap",
    "Comparison",
    "DatedSurvey",
    "Estimate",
    "Life",
    "LossPlace",
    "LowestReading",
    "PairComparison",
    "PartArea",
    "PartComparison",
    "PartDifference",
    "Registration",
    "SurveyDate",
    "SurveyErrors",
    "Trend",
    "TrendFit",
    "TrendPair",
    "TrendPoint",
    "WallPattern",
    "ZoneTrend",
    "benjamini_hochberg",
    "compare_dated",
    "compare_maps",
    "dates_of_part",
    "differences_of",
    "estimate",
    "fit_trend",
    "map_of",
    "register_by_pattern",
    "remaining_life",
    "trend_of",
]
