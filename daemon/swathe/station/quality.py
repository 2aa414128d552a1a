"""Tables of measurement quality: calibration, checks, probe, uncertainty."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from swathe.station.table import StationTable
from swathe.units import (
    Duration,
    Frequency,
    Length,
    Percent,
    Temperature,
    TemperatureDifference,
    TimeOfFlight,
    Velocity,
)

__all__ = [
    "BlockSettings",
    "CalibrationSettings",
    "CorrectionSettings",
    "InstrumentSettings",
    "ProbeSettings",
    "UncertaintySettings",
    "VerificationSettings",
]


class CalibrationSettings(StationTable):
    """Velocity and zero offset: given, or by a calibration record that `calibrate` wrote."""

    file: str | None = Field(None, min_length=1, description="the record; relative to this file")
    velocity: Velocity | None = Field(None, gt=0, description="instead of a record, mm/µs")
    zero_offset: TimeOfFlight = Field(0.0, description="with velocity, µs")
    block_temperature: Temperature | None = Field(None, description="with velocity, degC")
    procedure: str = Field("", description="followed by `calibrate thickness`, for its record")
    couplant: str = Field("", description="used by `calibrate thickness`, for its record")
    temperature_validity: TemperatureDifference | None = Field(
        None,
        ge=0,
        description="by how much the part may be warmer or colder than the block, as the procedure "
        "states it for the record of `calibrate thickness`, K; not stated without one",
    )
    range_margin: Length | None = Field(
        None,
        ge=0,
        description="by how much a wall may be beyond the calibrated steps before its readings are "
        "flagged, mm; three standard deviations of a reading by default",
    )


class BlockSettings(StationTable):
    """The step block that the calibration is made on, as its certificate describes it."""

    name: str = Field(min_length=1)
    serial: str = ""
    material: str = Field("", description="of the known materials, to check the velocity")
    steps: tuple[Annotated[Length, Field(gt=0)], ...] = Field(
        (), description="thicknesses, mm; else those of [verification]"
    )
    uncertainty: Length = Field(0.0, ge=0, description="standard uncertainty of a step, mm")


class InstrumentSettings(StationTable):
    """The instrument, for the calibration record."""

    name: str = ""
    serial: str = ""
    settings: str = Field("", description="pulser, gain, filter, damping: for the record, as text")
    time_resolution: TimeOfFlight = Field(
        0.0, ge=0, description="last digit of its times of flight, µs"
    )


class CorrectionSettings(StationTable):
    """Corrections in addition to velocity and zero offset; each is named in the record."""

    temperature: bool = Field(True, description="whether part_temperature acts")
    part_temperature: Temperature | None = Field(None, description="of the part's steel, degC")
    temperature_coefficient: Annotated[float, Field(ge=0, lt=0.01)] | str | None = Field(
        None, description="share by which velocity falls for a kelvin, or the name of a known one"
    )
    temperature_coefficient_uncertainty: Annotated[float, Field(ge=0, lt=0.01)] | None = Field(
        None,
        description="standard uncertainty of temperature_coefficient, per kelvin; of a known one "
        "that of the table unless given",
    )
    v_path: bool = Field(True, description="whether a dual-element probe's V-path is corrected")


class ProbeSettings(StationTable):
    """The probe, of which the beam's width on the back wall follows."""

    name: str = ""
    serial: str = ""
    cable: str = Field("", description="between instrument and probe, for the record, as text")
    kind: Literal["single", "dual"] = "single"
    diameter: Length = Field(gt=0, description="of the element, or of both together, mm")
    frequency: Frequency = Field(gt=0, description="MHz")
    separation: Length = Field(0.0, ge=0, description="of a dual probe's elements' centres, mm")
    beam: Length | None = Field(
        None,
        gt=0,
        description="width of the beam on the back wall from its data sheet (-6 dB), mm; else it "
        "follows from diameter and frequency of a single element",
    )
    overlap: Percent = Field(0.0, ge=0, lt=100, description="required of two lines' beams")


class UncertaintySettings(StationTable):
    """What the calibration record does not know of a reading's uncertainty."""

    repeatability: Length | None = Field(
        None,
        ge=0,
        description="standard deviation of a reading on the part while the probe is held, mm; else "
        "the record's",
    )
    coupling: TimeOfFlight | None = Field(
        None,
        ge=0,
        description="standard deviation of a reading by coupling again, µs; else as the record's "
        "couplings measured it",
    )
    resolution: Length | None = Field(
        None,
        ge=0,
        description="last digit of the instrument, mm; else by instrument.time_resolution",
    )
    temperature: TemperatureDifference | None = Field(
        None, ge=0, description="standard uncertainty of the part's temperature, K"
    )
    block_temperature: TemperatureDifference = Field(
        0.0, ge=0, description="standard uncertainty of the block's temperature, K"
    )


class StepPlace(StationTable):
    """Where a reference step is on the part, mm, for a crawler."""

    scan: Length
    index: Length = 0.0


def _as_list(value: object) -> object:
    return [value] if isinstance(value, dict) else value


class VerificationSettings(StationTable):
    """How the calibration is checked on a block, and how often."""

    block: str = ""
    steps: tuple[Length, ...] = Field(min_length=1, description="of the block, mm")
    at: Annotated[tuple[StepPlace, ...], BeforeValidator(_as_list)] = Field(
        (), description="where each step is on the part, to which a crawler drives"
    )
    tolerance: Length = Field(gt=0, description="greatest deviation that passes, mm")
    interval: Duration | None = Field(None, gt=0, description="longest time between two, ns")
