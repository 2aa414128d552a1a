"""How a run ended, where its survey has no record yet."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.errors import SurveyError
from swathe.live import RunOutcome
from swathe.store import SurveyFolder


def test_run_that_was_not_resumed_may_have_no_record(tmp_path: Path) -> None:
    """A first run was killed, and the next one is ended before it has replayed it."""
    outcome = RunOutcome("incomplete", "asked to", SurveyFolder(tmp_path), resumed=False)
    assert outcome.newest_record is None


def test_run_that_was_resumed_has_its_record(tmp_path: Path) -> None:
    """One that is missing is an error then: the run has written it."""
    with pytest.raises(SurveyError, match="is missing"):
        _ = RunOutcome("incomplete", "asked to", SurveyFolder(tmp_path)).newest_record
