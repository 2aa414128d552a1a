"""The level of confidence of a minimum thickness, stated only where everything that matters is covered."""

from __future__ import annotations

import json

import pytest

from daemon.handmade import Motion, feed, opened
from daemon.station.test_law import SHIFTS, record, text_with, with_a_record
from swathe.journal import Mark
from swathe.pipeline import Pipeline
from swathe.report import survey_lines
from swathe.store import record_of


@pytest.mark.parametrize(("shifts", "covered"), [(SHIFTS, True), ((0.0,), False)])
def test_level_is_stated_where_couplant_is_covered(
    shifts: tuple[float, ...], covered: bool
) -> None:
    """Three couplings of each step: an expanded uncertainty. One: none, and the report says why."""
    made = record(shifts=shifts)
    pipeline = Pipeline(with_a_record(made=made))
    mark = opened(text_with(""))
    detail = {**mark.detail, "calibration": made.model_dump(mode="json")}
    pipeline.feed(Mark(mark.time, mark.kind, detail))
    feed(pipeline, Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1200).entries())
    found = record_of(pipeline)
    told = "\n".join(survey_lines(found))
    assert found.progress.minimum is not None
    assert (found.progress.minimum_expanded is not None) is covered
    assert ("couplant and probe handling are not covered" in told) is not covered
    assert ("95.45" in told) is covered
    assert json.loads(found.model_dump_json())["progress"]["minimum"] > 0
