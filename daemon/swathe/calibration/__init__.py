"""Calibration: from readings on a step block to velocity and zero offset, with uncertainties."""

from swathe.calibration.beam import (
    Beam,
    Probe,
    ProbeKind,
    beam_width,
    half_angle,
    last_axial_maximum,
    near_field,
)
from swathe.calibration.conditions import (
    StationConditions,
    differences,
    temperature_outside,
)
from swathe.calibration.conditions_record import ConditionsRecord, GaugeRecord
from swathe.calibration.corrections import (
    TEMPERATURE_COEFFICIENTS,
    Known,
    TemperatureCoefficient,
    half_path,
    over_reading,
    temperature_coefficient,
    temperature_factor,
    thickness_of_half_path,
)
from swathe.calibration.couplings import (
    CouplingBasis,
    CouplingScatter,
    StepCoupling,
    coupling_scatter,
)
from swathe.calibration.differences import Difference, Weight
from swathe.calibration.law import ThicknessLaw
from swathe.calibration.line_fit import LineFit, fit_line, fit_slope
from swathe.calibration.materials import MATERIALS, Material, material_named, plausible
from swathe.calibration.minimum_interval import (
    INTERVAL_COVERAGE,
    MinimumInterval,
    minimum_interval,
)
from swathe.calibration.readings_file import read_readings
from swathe.calibration.record import (
    BlockRecord,
    CalibrationRecord,
    CouplingRecord,
    InstrumentRecord,
    ProbeRecord,
    StepRecord,
    approve,
    new_record,
)
from swathe.calibration.record_file import (
    parse_calibration_record,
    read_calibration_record,
    write_calibration_record,
)
from swathe.calibration.resolution import rounding_uncertainty
from swathe.calibration.stability import Stability, StabilityState
from swathe.calibration.step_covariance import NOT_COVERED
from swathe.calibration.step_reading import StepReading
from swathe.calibration.steps import StepsResult, solve_steps
from swathe.calibration.uncertainty import (
    COVERAGE,
    Combined,
    Component,
    combine,
    minimum_bias,
    reading_budget,
)
from swathe.errors import CalibrationError

__all__ = [
    "COVERAGE",
    "INTERVAL_COVERAGE",
    "MATERIALS",
    "NOT_COVERED",
    "TEMPERATURE_COEFFICIENTS",
    "Beam",
    "BlockRecord",
    "CalibrationError",
    "CalibrationRecord",
    "Combined",
    "Component",
    "ConditionsRecord",
    "CouplingBasis",
    "CouplingRecord",
    "CouplingScatter",
    "Difference",
    "GaugeRecord",
    "InstrumentRecord",
    "Known",
    "LineFit",
    "Material",
    "MinimumInterval",
    "Probe",
    "ProbeKind",
    "ProbeRecord",
    "Stability",
    "StabilityState",
    "StationConditions",
    "StepCoupling",
    "StepReading",
    "StepRecord",
    "StepsResult",
    "TemperatureCoefficient",
    "ThicknessLaw",
    "Weight",
    "approve",
    "beam_width",
    "combine",
    "coupling_scatter",
    "differences",
    "fit_line",
    "fit_slope",
    "half_angle",
    "half_path",
    "last_axial_maximum",
    "material_named",
    "minimum_bias",
    "minimum_interval",
    "near_field",
    "new_record",
    "over_reading",
    "parse_calibration_record",
    "plausible",
    "read_calibration_record",
    "read_readings",
    "reading_budget",
    "rounding_uncertainty",
    "solve_steps",
    "temperature_coefficient",
    "temperature_factor",
    "temperature_outside",
    "thickness_of_half_path",
    "write_calibration_record",
]
