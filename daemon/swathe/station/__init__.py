"""The station file: plan, devices, calibration, broker and storage."""

from swathe.station.alarms import AlarmKind, AlarmSettings, SoundEvent
from swathe.station.axis import Axis, cell_count
from swathe.station.axis_names import AxisNames, ClockSettings
from swathe.station.broker import BrokerSettings, tls_context
from swathe.station.budget import budget_of, repeatability_of
from swathe.station.changes import StationChange, changes_between, extends, in_plan_of
from swathe.station.check import excluded_cells
from swathe.station.conditions import (
    calibrated_range,
    check_conditions,
    condition_warnings,
    conditions_of,
    probe_of,
    require_calibration,
)
from swathe.station.delays import DelayPair, DelaySetting, delay_pairs
from swathe.station.devices import (
    axis_source,
    decoder_of,
    gauge_of,
    gauges_of,
    kept_channels,
    kept_waveforms,
    makes_by_time,
    period_of,
    polling_of,
    schedule_of,
)
from swathe.station.law import law_of, with_record
from swathe.station.load import (
    areas_in,
    parse_station,
    read_devices,
    read_station,
    station_in_journal,
    survey_folder,
    texts_for_journal,
)
from swathe.station.marks import (
    known_marks,
    line_of_mark,
    line_text,
    mark_named,
    no_line_reason,
    position_text,
)
from swathe.station.model import (
    AUTO,
    AxisMode,
    AxisSettings,
    CellRule,
    ExclusionSettings,
    LineAdvance,
    MarkSettings,
    PageSettings,
    Station,
)
from swathe.station.motion import (
    MOTION_PORT,
    GuardTable,
    MotionTable,
    PlanTable,
    motion_codec,
    motion_driver,
)
from swathe.station.probe import beam_of, beam_on_wall, beam_warnings, beams_of
from swathe.station.probe_tables import (
    MOST_PROBES,
    ArrayProbeSettings,
    CarriageSettings,
    HeadingSettings,
)
from swathe.station.probes import (
    NO_PROBE,
    SINGLE_PROBE,
    CarriageProbe,
    ProbeArray,
    probes_of,
    station_of_probe,
    stations_of_probes,
    turn,
)
from swathe.station.quality import CalibrationSettings, StepPlace, VerificationSettings
from swathe.station.report_table import ReportSettings
from swathe.station.sensitivity import SensitivitySettings
from swathe.station.spots import SpotSettings, SpotsSettings
from swathe.station.thickness_scale import (
    ThicknessScale,
    scale_by_levels,
    scale_ticks,
    thickness_scale,
)

__all__ = [
    "AUTO",
    "MOST_PROBES",
    "MOTION_PORT",
    "NO_PROBE",
    "SINGLE_PROBE",
    "AlarmKind",
    "AlarmSettings",
    "ArrayProbeSettings",
    "Axis",
    "AxisMode",
    "AxisNames",
    "AxisSettings",
    "BrokerSettings",
    "CalibrationSettings",
    "CarriageProbe",
    "CarriageSettings",
    "CellRule",
    "ClockSettings",
    "DelayPair",
    "DelaySetting",
    "ExclusionSettings",
    "GuardTable",
    "HeadingSettings",
    "LineAdvance",
    "MarkSettings",
    "MotionTable",
    "PageSettings",
    "PlanTable",
    "ProbeArray",
    "ReportSettings",
    "SensitivitySettings",
    "SoundEvent",
    "SpotSettings",
    "SpotsSettings",
    "Station",
    "StationChange",
    "StepPlace",
    "ThicknessScale",
    "VerificationSettings",
    "areas_in",
    "axis_source",
    "beam_of",
    "beam_on_wall",
    "beam_warnings",
    "beams_of",
    "budget_of",
    "calibrated_range",
    "cell_count",
    "changes_between",
    "check_conditions",
    "condition_warnings",
    "conditions_of",
    "decoder_of",
    "delay_pairs",
    "excluded_cells",
    "extends",
    "gauge_of",
    "gauges_of",
    "in_plan_of",
    "kept_channels",
    "kept_waveforms",
    "known_marks",
    "law_of",
    "line_of_mark",
    "line_text",
    "makes_by_time",
    "mark_named",
    "motion_codec",
    "motion_driver",
    "no_line_reason",
    "parse_station",
    "period_of",
    "polling_of",
    "position_text",
    "probe_of",
    "probes_of",
    "read_devices",
    "read_station",
    "repeatability_of",
    "require_calibration",
    "scale_by_levels",
    "scale_ticks",
    "schedule_of",
    "station_in_journal",
    "station_of_probe",
    "stations_of_probes",
    "survey_folder",
    "texts_for_journal",
    "thickness_scale",
    "tls_context",
    "turn",
    "with_record",
]
