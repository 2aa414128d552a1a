"""Readings outside the calibrated range: flagged, counted, reported, and never left out."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zarr

from daemon.handmade import MS, START, UTC, Motion, ended, station_text
from daemon.pipeline.scene_record import scene_record
from swathe.journal import Mark, MarkKind
from swathe.pipeline import CellState, Pipeline
from swathe.reading_flags import ReadingFlag
from swathe.report import survey_lines
from swathe.station import parse_station
from swathe.store import SurveyFolder, record_of, write_derived

TEXT = station_text(scan_length=20, survey='nominal_thickness = "10 mm"')
GIVEN = 'velocity = "5920 m/s"'
OUTSIDE = int(ReadingFlag.OUTSIDE_CALIBRATION)


def wall(ms: int) -> float:
    """A wall of 10 mm with a thin place of 6 mm from 8 to 11 mm and a thick one from 15 to 17 mm."""
    at = ms / 100
    if 8 <= at < 11:
        return 6.0
    return 14.0 if 15 <= at < 17 else 10.0


def surveyed(
    *runs: dict[str, Any] | None, margin: str = "", units: str = "mm", text: str = TEXT
) -> Pipeline:
    """Return the pipeline of runs over the same wall, each with a record or with given values."""
    pipeline: Pipeline | None = None
    for number, record in enumerate(runs):
        content = f'units = "{units}"\n' + text
        if record is not None:
            content = content.replace(GIVEN, f'file = "c.json"\n{margin}')
        if pipeline is None:
            pipeline = Pipeline(parse_station(content, "bench.toml", record=record))
        shift = number * 10_000 * MS
        detail = {
            "survey": "s-1",
            "station": content,
            "versions": {},
            "utc_ns": UTC + shift,
            "calibration": record,
        }
        pipeline.collect(Mark(START + shift, MarkKind.OPENED, detail))
        motion = Motion(place=lambda ms: (ms / 100,), wall=wall, first=0, last=2000)
        for entry in motion.entries():
            pipeline.collect(entry._replace(time=entry.time + shift))
        pipeline.collect(ended(START + shift + 2100 * MS))
        pipeline.advance()
    assert pipeline is not None
    return pipeline


def made(low: float, high: float) -> dict[str, Any]:
    """Return a record of 5.92 mm/µs on two steps, as the readings of `wall` are sent."""
    return scene_record(steps=(low, high), velocity=5.92, zero=0.0)


def test_readings_outside_the_steps_are_flagged_and_counted() -> None:
    """Each reading on either side of the range, and each cell whose reading is; nothing else.

    The counts are those of the wall itself: readings every 5 ms at 10 mm/s are 0.05 mm apart.
    """
    pipeline = surveyed(made(8.0, 12.0))
    assert pipeline.calibration.outside == round((11 - 8) / 0.05) + round((17 - 15) / 0.05)
    flagged = np.flatnonzero(pipeline.grid.quality & OUTSIDE)
    walls = pipeline.grid.thickness[flagged]
    assert set(np.round(walls, 3)) == {6.0, 14.0}
    rest = np.flatnonzero(~(pipeline.grid.quality & OUTSIDE).astype(bool))
    assert set(np.round(pipeline.grid.thickness[rest], 3)) == {10.0}
    assert (pipeline.grid.state == CellState.MEASURED).all()


def test_thin_place_outside_the_steps_is_still_the_minimum() -> None:
    """A wall thinner than the thinnest step is what a scan looks for: it is found and marked."""
    pipeline = surveyed(made(8.0, 12.0))
    assert pipeline.minimum.value == pytest.approx(6.0, abs=1e-4)
    calibration = record_of(pipeline).calibration
    assert calibration is not None
    assert calibration.outside_minimum
    assert calibration.outside_readings == pipeline.calibration.outside
    assert calibration.outside_cells == np.count_nonzero(pipeline.grid.quality & OUTSIDE)
    text = next(line for line in survey_lines(record_of(pipeline)) if "calibrated range" in line)
    assert text == (
        f"WARNING: {calibration.outside_readings} readings and the values of "
        f"{calibration.outside_cells} cells are outside the calibrated range, 8 mm to 12 mm; "
        "the minimum thickness is one of them"
    )
    inches = survey_lines(record_of(surveyed(made(8.0, 12.0), units="in")))
    assert any("calibrated range, 0.315 in to 0.472 in" in line for line in inches)


@pytest.mark.parametrize(
    ("record", "margin"),
    [
        (made(5.0, 15.0), ""),
        (made(6.0, 14.0), ""),
        (made(8.0, 12.0), 'range_margin = "2.01 mm"'),
        (None, ""),
    ],
)
def test_readings_within_the_range_are_not_flagged(
    record: dict[str, Any] | None, margin: str
) -> None:
    """Walls as thick as the outermost steps are within; without a record there is no range."""
    pipeline = surveyed(record, margin=margin)
    assert pipeline.calibration.outside == 0
    assert not (pipeline.grid.quality & OUTSIDE).any()
    assert not any("calibrated range" in line for line in survey_lines(record_of(pipeline)))


def test_instrument_that_sends_thickness_has_no_range() -> None:
    """The record was not applied to what the instrument computed itself."""
    text = TEXT.replace('{is="time_of_flight", unit="us"', '{is="thickness", unit="mm"')
    pipeline = surveyed(made(8.0, 12.0), text=text)
    assert pipeline.calibration.outside == 0


def test_other_calibration_of_an_earlier_run_is_reported() -> None:
    """Cells of the first run are not of the record that the survey names."""
    first, second = made(5.0, 15.0), scene_record(velocity=6.0, zero=0.0)
    pipeline = surveyed(None, first, second)
    calibration = record_of(pipeline).calibration
    assert calibration is not None
    assert [one.record for one in calibration.earlier] == [None, first["id"]]
    lines = [line for line in survey_lines(record_of(pipeline)) if "earlier runs" in line]
    assert len(lines) == 2
    assert "velocity 5920.0 m/s, zero offset 0.0000 µs (no record)" in lines[0]
    assert record_of(surveyed(first, first)).calibration.earlier == ()  # type: ignore[union-attr]


def test_arrays_name_the_calibration_and_delays_in_force(tmp_path: Path) -> None:
    """Each thickness follows from its time of flight by the attributes: v f (t - zero) / 2.

    The relation is that of ASTM E797 (from memory), computed here by numpy from the zarr store
    alone; velocity and zero offset were None and 0 with a record.
    """
    text = TEXT.replace('port = "ports/gauge"', 'port = "ports/gauge"\ndelay = "5 ms"')
    record = scene_record(steps=(5.0, 15.0), velocity=5.92, zero=0.04)
    correction = (
        '[corrections]\npart_temperature = "41 degC"\ntemperature_coefficient = "steel 1018"\n'
    )
    pipeline = surveyed(record, text=text + correction)
    folder = SurveyFolder(tmp_path / "survey")
    folder.zarr.parent.mkdir(parents=True)
    written = write_derived(folder, pipeline)
    group: Any = zarr.open_group(folder.zarr, mode="r", use_consolidated=True)
    attributes: dict[str, Any] = dict(group.attrs)
    assert attributes["velocity_mm_per_us"] == record["velocity_mm_per_us"]
    assert attributes["zero_offset_us"] == record["zero_offset_us"] != 0
    assert attributes["calibration_record"] == record["id"] == written.calibration.record  # type: ignore[union-attr]
    assert attributes["calibration"].startswith(f"record {record['id']} of 2026-11-25T08:30:00")
    assert attributes["calibration_range_mm"] == [5.0, 15.0]
    assert (attributes["delay_ms_gauge"], attributes["delay_ms_encoder"]) == (5.0, 0.0)
    # About 0.8 m/s per K of 5920 m/s, from 21 to 41 °C (Do Trung Kien et al., abstract).
    assert attributes["temperature_factor"] == pytest.approx(1 - 20 * 0.8 / 5920)
    velocity = attributes["velocity_mm_per_us"] * attributes["temperature_factor"]
    flight = group["time_of_flight"][:]
    thickness = velocity * (flight - attributes["zero_offset_us"]) / 2
    assert np.isfinite(thickness).any()
    np.testing.assert_allclose(group["thickness"][:], thickness, rtol=1e-6)


def test_attribute_that_no_longer_applies_is_removed(tmp_path: Path) -> None:
    """A record that is no longer in force is not named by arrays that are written again."""
    folder = SurveyFolder(tmp_path / "survey")
    folder.zarr.parent.mkdir(parents=True)
    names = []
    for record in (made(5.0, 15.0), None):
        write_derived(folder, surveyed(record))
        names.append(set(zarr.open_group(folder.zarr, mode="r").attrs))
    for before, after in pairwise(names):
        assert before - after == {"calibration_record", "calibration_range_mm"}
