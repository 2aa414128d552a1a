"""When a replay ends: a time, a duration from the start, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

import daemon.handmade as bench
import swathe
from daemon.surveys import write_survey
from swathe.api.amending import end_of_replay
from swathe.store import SurveyFolder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return a survey of two runs."""
    return write_survey(tmp_path_factory.mktemp("amending") / "survey")


@pytest.mark.parametrize(
    ("until", "after_start"),
    [
        ("0 s", 0),
        ("1.5 s", 1_500_000_000),
        ("90 min", 5_400_000_000_000),
        ("2027-01-15T08:00:01Z", 1_000_000_000),
        ("2027-01-15 09:00:00.000001+01:00", 1_000),
        (datetime(2027, 1, 15, 8, 0, 2, tzinfo=UTC), 2_000_000_000),
        (datetime(2027, 1, 15, 10, 0, tzinfo=timezone(timedelta(hours=2))), 0),
    ],
)
def test_end_is_a_time_or_so_long_after_the_start(
    folder: SurveyFolder, until: datetime | str, after_start: int
) -> None:
    """A text is a time if it is one by ISO 8601, else a duration; each has its unit or offset."""
    assert end_of_replay(folder, until) == bench.UTC + after_start


def test_end_without_one(folder: SurveyFolder) -> None:
    """A replay goes to the end of the journal unless an end is given."""
    assert end_of_replay(folder, None) is None


@pytest.mark.parametrize("until", ["2027-01-15T08:00:01", "2027-01-15", datetime(2027, 1, 15)])  # noqa: DTZ001
def test_end_without_its_offset_from_utc_is_refused(
    folder: SurveyFolder, until: datetime | str
) -> None:
    """Nobody knows which clock the user means."""
    with pytest.raises(swathe.SwatheError, match="'until' must have its offset from UTC"):
        end_of_replay(folder, until)


@pytest.mark.parametrize("until", ["", "noon", "-1 s", "5 mm", "12"])
def test_end_that_is_no_time_is_refused(folder: SurveyFolder, until: str) -> None:
    """The message has an example of either kind, and what was given."""
    with pytest.raises(swathe.SwatheError, match="'until' must be a time such as") as caught:
        end_of_replay(folder, until)
    assert str(caught.value).endswith(f"such as '90 min' (got {until!r})")


def test_replay_ends_there(folder: SurveyFolder) -> None:
    """The first run's note is in it; the second run's is not."""
    survey = swathe.open_survey(Path(folder.path))
    assert [note.text for note in survey.replay(until="30 min").record.notes] == ["wet"]
    assert [note.text for note in survey.replay(until="61 min").record.notes] == ["wet", "dry"]
