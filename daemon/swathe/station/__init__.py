"""The station file: what is scanned, with which devices, told where and kept where."""

from swathe.station.axis import Axis, cell_count
from swathe.station.budget import budget_of, repeatability_of
from swathe.station.check import excluded_cells
from swathe.station.devices import axis_source, decoder_of, gauge_of, kept_waveforms
from swathe.station.law import law_of, with_record
from swathe.station.load import load_station, parse_station, station_in_journal, survey_folder
from swathe.station.model import (
    AxisMode,
    AxisSettings,
    BrokerSettings,
    CellRule,
    LineAdvance,
    PageSettings,
    Station,
)
from swathe.station.probe import beam_on_wall
from swathe.station.quality import CalibrationSettings

__all__ = [
    "Axis",
    "AxisMode",
    "AxisSettings",
    "BrokerSettings",
    "CalibrationSettings",
    "CellRule",
    "LineAdvance",
    "PageSettings",
    "Station",
    "axis_source",
    "beam_on_wall",
    "budget_of",
    "cell_count",
    "decoder_of",
    "excluded_cells",
    "gauge_of",
    "kept_waveforms",
    "law_of",
    "load_station",
    "parse_station",
    "repeatability_of",
    "station_in_journal",
    "survey_folder",
    "with_record",
]
