"""The calibration record: who calibrated what with what, what came out, how well it is known.

A survey names it by its id, the beginning of a digest of its contents. The digest shows a
record that was changed since, by accident or to please; it is no proof against somebody who
computes it again.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from swathe.calibration.beam import Probe
from swathe.calibration.conditions_record import ConditionsRecord
from swathe.calibration.couplings import CouplingBasis
from swathe.calibration.step_covariance import NOT_COVERED
from swathe.calibration.steps import StepsResult
from swathe.errors import CalibrationError

__all__ = [
    "NO_TEMPERATURE",
    "BlockRecord",
    "CalibrationRecord",
    "CouplingRecord",
    "InstrumentRecord",
    "ProbeRecord",
    "StepRecord",
    "approve",
    "digest_of",
    "faults_of",
    "new_record",
]

NO_TEMPERATURE = "block temperature not recorded: no temperature correction is possible"
_ID_LENGTH = 12
# What a record of version 1 does not have; its digest is of what it has.
_SINCE_VERSION_2: dict[str, Any] = {
    "conditions": True,
    "temperature_range_degC": True,
    "coupling_us": True,
    "coupling_dof": True,
    "coupling_basis": True,
    "steps": {"__all__": {"couplings"}},
}


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class BlockRecord(_Table):
    """The step block."""

    name: str
    serial: str
    temperature_degC: float | None = Field(None, gt=-273.15)  # noqa: N815 (a unit's symbol)
    u_thickness_mm: float = Field(0.0, ge=0, description="standard uncertainty of its steps")


class CouplingRecord(_Table):
    """A coupling of the probe on a step: a steady stretch after it was put on."""

    time_of_flight_us: float = Field(ge=0, description="mean of its readings")
    sd_us: float = Field(ge=0)
    readings: int = Field(ge=1)
    round: int = Field(ge=1, description="in which round over the steps")
    time: AwareDatetime | None = Field(None, description="when the stretch ended")


class StepRecord(_Table):
    """A step as it was read."""

    thickness_mm: float = Field(gt=0)
    time_of_flight_us: float = Field(ge=0, description="mean of the means of its couplings")
    sd_us: float = Field(ge=0, description="of a single reading while the probe is held")
    readings: int = Field(ge=1)
    residual_mm: float
    couplings: tuple[CouplingRecord, ...] = Field(
        (), description="each of them; none of a record of version 1, which had one for each step"
    )


class ProbeRecord(Probe):
    """The probe."""

    name: str
    serial: str


class InstrumentRecord(_Table):
    """The instrument."""

    name: str
    serial: str


class CalibrationRecord(_Table):
    """A calibration; uncertainties are standard ones.

    Make one by `new_record`, which gives it its id. A record of version 1 is read as it is: how it
    was measured is not known, and that is reported, never guessed.
    """

    version: Literal[1, 2] = 2
    id: str
    time: AwareDatetime
    by: str = Field(min_length=1)
    approved_by: str | None = Field(None, description="the second signature")
    procedure: str
    material: str
    block: BlockRecord
    steps: tuple[StepRecord, ...] = Field(min_length=1)
    probe: ProbeRecord
    couplant: str
    instrument: InstrumentRecord
    method: str
    velocity_mm_per_us: float = Field(gt=0)
    zero_offset_us: float
    u_velocity: float = Field(ge=0, description="mm/µs")
    u_zero_offset: float = Field(ge=0, description="µs")
    correlation: float = Field(ge=-1, le=1)
    dof: int = Field(ge=0, description="steps less unknowns")
    u_dof: float | None = Field(ge=1, description="of the uncertainties; null when infinite")
    basis: str
    repeatability_mm: float | None = Field(ge=0, description="null when no step was read twice")
    coupling_us: float | None = Field(
        None, ge=0, description="standard deviation of a reading by coupling again; null: not known"
    )
    coupling_dof: float | None = Field(
        None, ge=1, description="its degrees of freedom; null where it is stated or not known"
    )
    coupling_basis: CouplingBasis = Field(
        CouplingBasis.NOT_COVERED,
        description="whether couplant and probe handling are measured, stated, or not covered by "
        "the uncertainties of velocity and zero offset",
    )
    conditions: ConditionsRecord | None = Field(
        None, description="how it was measured; null where that is not known"
    )
    temperature_range_degC: tuple[float, float] | None = Field(  # noqa: N815 (a unit's symbol)
        None,
        description="temperatures at which the procedure lets it apply, lowest and highest; null "
        "where none is stated",
    )
    warnings: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _version_1_has_no_conditions(self) -> CalibrationRecord:
        if self.version == 1 and (
            self.conditions or self.temperature_range_degC or self.coupling_us is not None
        ):
            msg = "version must be 2 for a record with conditions, a range of temperatures or couplings"
            raise ValueError(msg)
        return self

    @property
    def range_mm(self) -> tuple[float, float]:
        """Thinnest and thickest step, mm: between them thickness was compared with a block.

        ISO 16809 and ASTM E797 have the block's steps include the thicknesses that are measured
        (from memory, the texts were not at hand).
        """
        walls = [step.thickness_mm for step in self.steps]
        return min(walls), max(walls)

    @property
    def repeatability_dof(self) -> int:
        """Degrees of freedom of the repeatability: readings less couplings."""
        return sum(step.readings - max(len(step.couplings), 1) for step in self.steps)


def new_record(
    result: StepsResult,
    *,
    time: datetime,
    by: str,
    approved_by: str | None = None,
    procedure: str,
    material: str,
    block: BlockRecord,
    probe: ProbeRecord,
    couplant: str,
    instrument: InstrumentRecord,
    conditions: ConditionsRecord | None = None,
    temperature_validity: float | None = None,
) -> CalibrationRecord:
    """Return the record of a calibration, with its id.

    Args:
        result: what the steps gave.
        time: of the calibration.
        by: who calibrated.
        approved_by: the second signature.
        procedure: that was followed.
        material: of the block.
        block: the step block.
        probe: the probe.
        couplant: between both.
        instrument: the instrument.
        conditions: how it was measured; None where that is not known.
        temperature_validity: by how much the part may be warmer or colder than the block, K, as the
            procedure states; None where it states nothing.

    Raises:
        CalibrationError: the calibration took another separation than the probe has, or another
            uncertainty than the block has, or a value cannot be; the text names the key.
    """
    if result.separation != probe.separation_mm:
        msg = (
            f"'probe.separation_mm' must be that of the calibration, {result.separation:g} mm "
            f"(got {probe.separation_mm:g}): calibrate with the probe's own"
        )
        raise CalibrationError(msg)
    u_thickness = max(step.u_thickness for step in result.steps)
    if u_thickness != block.u_thickness_mm:
        msg = (
            f"'block.u_thickness_mm' must be that of the calibration, {u_thickness:g} mm "
            f"(got {block.u_thickness_mm:g}): calibrate with that of the block's certificate"
        )
        raise CalibrationError(msg)
    steps = tuple(
        StepRecord(
            thickness_mm=step.thickness,
            time_of_flight_us=step.time_of_flight,
            sd_us=step.sd,
            readings=step.readings,
            residual_mm=residual,
            couplings=tuple(
                CouplingRecord(
                    time_of_flight_us=one.time_of_flight,
                    sd_us=one.sd,
                    readings=one.readings,
                    round=one.round,
                    time=datetime.fromisoformat(one.time) if one.time else None,
                )
                for one in step.each_coupling
            ),
        )
        for step, residual in zip(result.steps, result.residuals, strict=True)
    )
    repeatability = result.repeatability
    unknown = () if block.temperature_degC is not None else (NO_TEMPERATURE,)
    if result.coupling_basis is CouplingBasis.NOT_COVERED:
        unknown = (NOT_COVERED, *unknown)
    valid = None
    if temperature_validity is not None and block.temperature_degC is not None:
        valid = (
            block.temperature_degC - temperature_validity,
            block.temperature_degC + temperature_validity,
        )
    return _signed(
        {
            "version": 2,
            "time": time,
            "by": by,
            "approved_by": approved_by,
            "procedure": procedure,
            "material": material,
            "block": block,
            "steps": steps,
            "probe": probe,
            "couplant": couplant,
            "instrument": instrument,
            "method": result.method,
            "velocity_mm_per_us": result.velocity,
            "zero_offset_us": result.zero_offset,
            "u_velocity": result.u_velocity,
            "u_zero_offset": result.u_zero_offset,
            "correlation": result.correlation,
            "dof": result.dof,
            "u_dof": None if math.isinf(result.u_dof) else result.u_dof,
            "basis": result.basis,
            "repeatability_mm": None if math.isnan(repeatability) else repeatability,
            "coupling_us": None if math.isnan(result.coupling) else result.coupling,
            "coupling_dof": None if math.isinf(result.coupling_dof) else result.coupling_dof,
            "coupling_basis": result.coupling_basis,
            "conditions": conditions,
            "temperature_range_degC": valid,
            "warnings": result.warnings + unknown,
        }
    )


def approve(record: CalibrationRecord, *, approved_by: str) -> CalibrationRecord:
    """Return the record with a second signature; its id changes with its contents.

    Raises:
        CalibrationError: nobody is named, or whoever made it.
    """
    if approved_by.strip() in ("", record.by.strip()):
        msg = f"'approved_by' must be somebody other than {record.by!r} (got {approved_by!r})"
        raise CalibrationError(msg)
    contents = {name: getattr(record, name) for name in CalibrationRecord.model_fields}
    return _signed({**contents, "approved_by": approved_by})


def _signed(contents: Mapping[str, Any]) -> CalibrationRecord:
    try:
        draft = CalibrationRecord.model_validate({**contents, "id": ""})
    except ValidationError as error:
        raise CalibrationError(f"no calibration record comes of it: {faults_of(error)}") from error
    return draft.model_copy(update={"id": digest_of(draft)})


def digest_of(record: CalibrationRecord) -> str:
    """Return the id: the beginning of the SHA-256 of all but the id, as JSON in a fixed shape.

    Of a record of version 1 it is that of the keys which that version has.
    """
    later = _SINCE_VERSION_2 if record.version == 1 else {}
    contents = record.model_dump(mode="json", exclude={"id": True, **later})
    text = json.dumps(
        contents, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:_ID_LENGTH]


def faults_of(error: ValidationError) -> str:
    """Return what a validator found, each with its key."""
    return "; ".join(
        f"{'.'.join(map(str, fault['loc'])) or 'the text'!r} {fault['msg']} (got {fault['input']!r:.60})"
        for fault in error.errors()
    )
