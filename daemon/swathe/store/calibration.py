"""The calibration of a survey, for its record: what was applied, and what it does not cover."""

from __future__ import annotations

import numpy as np
from pydantic import AwareDatetime, Field

from swathe.arrays import Bools, Cells
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.progress.fields import Snapshot
from swathe.reading_flags import ReadingFlag
from swathe.station import condition_warnings, law_of, station_of_probe

__all__ = ["CalibrationSummary", "EarlierCalibration", "ProbeCalibration", "calibration_summary"]


class EarlierCalibration(Snapshot):
    """A calibration by which earlier readings of the survey became thicknesses."""

    velocity_mm_per_us: float = Field(description="at the part's temperature")
    zero_offset_us: float
    record: str | None = Field(description="identity of its record; null: values given")


class ProbeCalibration(EarlierCalibration):
    """The calibration of one of several probes."""

    probe: str = Field(description="name of the probe")


class CalibrationSummary(Snapshot):
    """The calibration by which times of flight became thicknesses."""

    velocity_mm_per_us: float
    zero_offset_us: float
    record: str | None = Field(description="identity of the calibration record; null: values given")
    by: str
    time: AwareDatetime | None
    material: str
    corrections: tuple[str, ...] = Field(description="what is applied in addition, or switched off")
    warnings: tuple[str, ...] = Field(description="of the calibration itself")
    conditions: tuple[str, ...] = Field(
        (),
        description="in what the survey differs from how it was measured without its being refused, "
        "what is not known of that, and which thicknesses and temperatures are outside it",
    )
    range_mm: tuple[float, float] | None = Field(
        None, description="thinnest and thickest step of the block; null without a record"
    )
    temperature_range_degC: tuple[float, float] | None = Field(  # noqa: N815 (a unit's symbol)
        None, description="temperatures at which it applies; null where none are stated"
    )
    outside_readings: int = Field(0, description="valid readings on the plan outside its range")
    outside_cells: int = Field(0, description="cells whose reading is outside its range")
    outside_minimum: bool = Field(False, description="whether the minimum thickness is outside it")
    earlier: tuple[EarlierCalibration, ...] = Field(
        (), description="others by which readings of earlier runs became thicknesses"
    )
    probes: tuple[ProbeCalibration, ...] = Field(
        (),
        description="of each probe, where several have different ones; the rest of this table is of "
        "the first of them",
    )


def calibration_summary(pipeline: Pipeline) -> CalibrationSummary | None:
    """Return the calibration in force; None for an instrument that sends thickness."""
    grid, applied = pipeline.grid, pipeline.calibration
    station = station_of_probe(pipeline.station, 0)
    law, record = law_of(station), station.record
    if law is None:
        return None

    def are_outside(cells: Cells) -> Bools:
        flagged = (grid.quality[cells] & np.uint16(ReadingFlag.OUTSIDE_CALIBRATION)) > 0
        state = grid.state[cells]
        return np.asarray(flagged & ((state == CellState.MEASURED) | (state == CellState.SUSPECT)))

    outside = grid.touched.find(are_outside)
    minimum = pipeline.minimum
    return CalibrationSummary(
        velocity_mm_per_us=law.velocity,
        zero_offset_us=law.zero_offset,
        record=None if record is None else record.id,
        by="" if record is None else record.by,
        time=None if record is None else record.time,
        material="" if record is None else record.material or "",
        corrections=law.corrections,
        warnings=() if record is None else tuple(record.warnings),
        conditions=tuple(condition_warnings(station)),
        range_mm=None if record is None else record.range_mm,
        temperature_range_degC=None if record is None else record.temperature_range_degC,
        outside_readings=applied.outside,
        outside_cells=int(outside.size),
        outside_minimum=minimum.value is not None and bool((outside == minimum.cell).any()),
        earlier=tuple(
            EarlierCalibration(
                velocity_mm_per_us=one.velocity,
                zero_offset_us=one.zero_offset,
                record=one.record or None,
            )
            for one in applied.applied
            if one is not None and one not in applied.of_probes
        ),
        probes=_of_probes(pipeline),
    )


def _of_probes(pipeline: Pipeline) -> tuple[ProbeCalibration, ...]:
    """Return the calibration of each probe; nothing where all have the same one."""
    applied = pipeline.calibration.of_probes
    if all(one == applied[0] for one in applied):
        return ()
    return tuple(
        ProbeCalibration(
            probe=probe.name,
            velocity_mm_per_us=one.velocity,
            zero_offset_us=one.zero_offset,
            record=one.record or None,
        )
        for probe, one in zip(pipeline.station.probes, applied, strict=True)
        if one is not None
    )
