"""When a replay ends: a time, a duration from the start, and what is refused."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

import daemon.handmade as bench
import swathe
from daemon.pipeline.scene_record import scene_record
from daemon.surveys import write_survey
from swathe.api.amending import end_of_replay
from swathe.cli.rebuild import rebuild
from swathe.errors import CalibrationError
from swathe.store import SurveyFolder, read_survey_record


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


PROBE = '[probe]\nname = "contact"\nserial = "{}"\ndiameter = "6.35 mm"\nfrequency = "5 MHz"\n'


def survey_with(path: Path, serial: str, record: dict[str, Any] | None) -> SurveyFolder:
    """Return a survey that was scanned with a probe, by a record or by values of the station file."""
    text = bench.station_text() + PROBE.format(serial)
    if record is not None:
        text = text.replace('velocity = "5920 m/s"', 'file = "c.json"')
    opening = bench.opened(text)
    motion = bench.Motion(lambda ms: (ms / 50,), lambda _: 10.0, first=0, last=1000)
    detail = {**opening.detail, "calibration": record}
    end = bench.ended(bench.START + 1100 * bench.MS)
    return write_survey(path, [[opening._replace(detail=detail), *motion.entries(), end]])


def test_record_of_another_probe_is_refused_for_a_rebuild(tmp_path: Path) -> None:
    """`rebuild` and the API name the difference and write nothing; the probe's own is applied."""
    folder = survey_with(tmp_path / "survey", "P-2", None)
    rebuild(folder.path, picture=False)
    before = folder.record.read_bytes()
    other, own = tmp_path / "other.json", tmp_path / "own.json"
    for path, serial in ((other, "P-1"), (own, "P-2")):
        made = scene_record(velocity=6.1, probe="contact", serial=serial)
        path.write_text(json.dumps(made), "utf-8")
    refusal = (
        r"'probe.serial' must be as in calibration record \w+, 'P-1': .*has P-2.*--calibration"
    )
    with pytest.raises(CalibrationError, match=refusal):
        rebuild(folder.path, picture=False, calibration=other)
    with pytest.raises(CalibrationError, match=refusal):
        swathe.open_survey(folder.path).replay(calibration=other)
    assert folder.record.read_bytes() == before
    rebuild(folder.path, picture=False, calibration=own)
    calibration = read_survey_record(folder.record).calibration
    assert calibration is not None
    assert calibration.velocity_mm_per_us == pytest.approx(6.1, rel=1e-6)
    assert not any("probe" in text for text in calibration.conditions)


def test_record_that_the_journal_holds_is_compared_as_well(tmp_path: Path) -> None:
    """A survey that was scanned with a record of another probe takes the remedy that is named."""
    wrong = scene_record(probe="contact", serial="P-1")
    folder = survey_with(tmp_path / "survey", "P-2", wrong)
    with pytest.raises(CalibrationError, match=r"'probe\.serial' must be as in calibration"):
        rebuild(folder.path, picture=False)
    own = tmp_path / "own.json"
    own.write_text(json.dumps(scene_record(probe="contact", serial="P-2")), "utf-8")
    rebuild(folder.path, picture=False, calibration=own)
    assert read_survey_record(folder.record).calibration is not None
