"""The station file: what is scanned, with which devices, told where and kept where."""

from swathe.station.axis import Axis, cell_count
from swathe.station.check import axis_source, decoder_of, excluded_cells
from swathe.station.load import load_station, parse_station, survey_folder
from swathe.station.model import (
    AxisMode,
    AxisSettings,
    BrokerSettings,
    CalibrationSettings,
    CellRule,
    LineAdvance,
    Station,
)

__all__ = [
    "Axis",
    "AxisMode",
    "AxisSettings",
    "BrokerSettings",
    "CalibrationSettings",
    "CellRule",
    "LineAdvance",
    "Station",
    "axis_source",
    "cell_count",
    "decoder_of",
    "excluded_cells",
    "load_station",
    "parse_station",
    "survey_folder",
]
