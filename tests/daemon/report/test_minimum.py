"""The interval for the true minimum in record and report, from a journal made by hand."""

from __future__ import annotations

import numpy as np

from daemon.handmade import Motion, feed, opened
from daemon.station.test_law import record, text_with, with_a_record
from swathe.calibration import minimum_interval
from swathe.journal import Mark
from swathe.pipeline import CellState, Pipeline
from swathe.reading_flags import ReadingFlag
from swathe.report import survey_lines
from swathe.station import budget_of
from swathe.store import record_of

WALL = 10.0
SD = 0.05


def flat_survey() -> Pipeline:
    """Return the survey of 21 cells of a flat wall, read with noise."""
    made, tables = record(), f'[uncertainty]\nrepeatability = "{SD} mm"\n'
    pipeline = Pipeline(with_a_record(tables, made=made))
    mark = opened(text_with(tables))
    pipeline.feed(
        Mark(mark.time, mark.kind, {**mark.detail, "calibration": made.model_dump(mode="json")})
    )
    noise = SD * np.random.default_rng(4).standard_normal(5000)
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda ms: WALL + noise[round(ms)], 0, 1200)
    feed(pipeline, motion.entries())
    return pipeline


def test_record_has_the_interval_for_the_true_minimum() -> None:
    """It is that of the cells' means with the budget's shares; the report has it next to the minimum."""
    pipeline = flat_survey()
    grid, found = pipeline.grid, record_of(pipeline)
    interval = found.minimum_interval
    assert interval is not None
    cells = np.flatnonzero(grid.state == CellState.MEASURED)
    means = grid.mean_thickness(cells)
    budget = budget_of(pipeline.station, float(means.min()))
    assert budget is not None
    of = {part.name: part for part in budget.components}
    repeatability, coupling = of.pop("repeatability"), of.pop("coupling")
    expected = minimum_interval(
        means,
        grid.hits[cells].astype(np.int64),
        grid.thickness[cells],
        repeatability=repeatability.standard_uncertainty,
        repeatability_dof=repeatability.dof,
        coupling=coupling.standard_uncertainty,
        coupling_dof=coupling.dof,
        common=float(np.sqrt(sum(part.standard_uncertainty**2 for part in of.values()))),
        common_dof=of["calibration"].dof,
    )
    assert interval.cells == cells.size == 21
    assert interval.minimum_low_mm is not None
    assert interval.minimum_high_mm is not None
    assert abs(interval.minimum_low_mm - expected.low) < 2e-3
    assert abs(interval.minimum_high_mm - expected.high) < 2e-3
    told = survey_lines(found)
    low, high = f"{interval.minimum_low_mm:.3f}", f"{interval.minimum_high_mm:.3f}"
    assert any(
        f"true minimum of 21 measured cells: {low} to {high} mm (95%)" in one for one in told
    )
    assert f"as read, true minimum {low} to {high} mm (95%)" in told[1]


def test_cells_in_doubt_are_not_in_the_interval_and_the_report_says_so() -> None:
    """A suspect cell and one to confirm are left out, however thin, and counted."""
    pipeline = flat_survey()
    grid, before = pipeline.grid, record_of(pipeline).minimum_interval
    grid.state[3] = CellState.SUSPECT
    grid.quality[5] = ReadingFlag.LONE_LOW
    for cell in (3, 5):
        grid._thickness_sum[cell] -= int(grid.hits[cell]) * 4 * 2**29  # 4 mm thinner
    found = record_of(pipeline)
    interval = found.minimum_interval
    assert before is not None
    assert before.minimum_low_mm is not None
    assert interval is not None
    assert (interval.cells, interval.suspect_cells, interval.unconfirmed_cells) == (19, 1, 1)
    assert interval.minimum_low_mm is not None
    assert interval.minimum_low_mm > before.minimum_low_mm - 0.2
    told = "\n".join(survey_lines(found))
    assert "not in it: 1 cell to confirm, 1 suspect cell" in told
    grid.quality[5] |= ReadingFlag.CONFIRMED
    confirmed = record_of(pipeline).minimum_interval
    assert confirmed is not None
    assert confirmed.minimum_high_mm is not None
    assert confirmed.minimum_high_mm < before.minimum_low_mm - 3


def test_checkpoint_has_no_interval() -> None:
    """It is computed at the end of a run and by a rebuild, not while readings come in."""
    assert record_of(flat_survey(), with_lines=False).minimum_interval is None
