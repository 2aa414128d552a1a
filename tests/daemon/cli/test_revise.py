"""``swathe revise``: readings of a finished survey are discarded, moved and restored."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import zarr

from daemon.handmade import INDEX_STEPPED, MS, START, UTC, Motion, ended, opened, station_text
from daemon.surveys import write_run
from swathe.cli import revise
from swathe.cli.rebuild import rebuild
from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind, read_marks
from swathe.store import LAYERS, SurveyFolder, read_survey_record, record_of, replay

TEXT = station_text(index=INDEX_STEPPED.format(length=2, advance="command"))
WHO = {"by": "A. Kern", "because": "step forgotten"}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SurveyFolder:
    """Return a survey of two lines, the second one read as line 0 too; its run was killed paused."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    motion = Motion(
        place=lambda ms: (20 - abs(1000 - ms) / 50,),
        wall=lambda ms: 10.0 if ms < 1050 else 8.0,
        first=0,
        last=2000,
    )
    note = Mark(START + 1001 * MS, MarkKind.NOTE, {"text": "line 1", "by": "A. Kern"})
    paused = {"by": "A. Kern", "because": "lunch"}
    entries = sorted([*motion.entries(), note], key=lambda entry: entry.time)
    made = SurveyFolder(tmp_path / "survey")
    write_run(
        made,
        [opened(TEXT), *entries, Mark(START + 2100 * MS, MarkKind.PAUSED, paused)],
    )
    # By hand, the last readings wait for the motion after them until another run begins.
    later = opened(TEXT, time=START + 5000 * MS, utc=UTC + 5000 * MS)
    write_run(made, [later._replace(detail={**later.detail, "purpose": "check"})])
    rebuild(made.path, picture=False)
    return made


def stored(folder: SurveyFolder) -> dict[str, bytes]:
    """Return the layers on disk."""
    group = zarr.open_group(folder.zarr, mode="r")
    return {name: np.asarray(group[name]).tobytes() for name in LAYERS}


def marks(folder: SurveyFolder) -> list[MarkKind]:
    """Return the kinds of the revisions' marks in the journal."""
    kinds = (MarkKind.DISCARDED, MarkKind.MOVED, MarkKind.RESTORED)
    return [mark.kind for mark in read_marks(folder.journal, kinds)]


def test_readings_are_moved_and_restored(
    folder: SurveyFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """The files are those of a rebuild each time; the report has who and why."""
    before = stored(folder)
    revise.move(folder.path, 1, "A. Kern", "step forgotten", begin="line 1")
    printed = capsys.readouterr().out
    # Without its date where this run, behind whose clock the one before ended, is of the same day.
    assert re.search(r"revision 1 moves to line 1: since (2027-01-15 )?08:00:01 UTC", printed)
    (one,) = read_survey_record(folder.record).revisions
    assert (one.to_line, one.by, one.because) == (1, "A. Kern", "step forgotten")
    assert one.readings is not None
    assert one.readings > 150
    moved = replay(folder)
    assert [moved.line_snapshot(row).minimum for row in (0, 1)] == pytest.approx([10.0, 8.0])
    assert read_survey_record(folder.record) == record_of(moved)
    assert stored(folder) != before
    revise.restore(folder.path, revision=1, by="B. Lind", because="it was line 0")
    assert stored(folder) == before
    (one,) = read_survey_record(folder.record).revisions
    assert (one.readings, one.restored_by) == (0, "B. Lind")
    assert marks(folder) == [MarkKind.MOVED, MarkKind.RESTORED]


def test_readings_of_a_stretch_are_discarded(folder: SurveyFolder) -> None:
    """By line and scan positions, in the unit that is given; the survey's state stays."""
    before = read_survey_record(folder.record)
    revise.discard(folder.path, **WHO, line=0, start="0.5 cm", to="8 mm")
    record = read_survey_record(folder.record)
    assert record.revisions[0].scan == (5.0, 8.0)
    assert (
        record.progress.measured == before.progress.measured - 2
    )  # of the outer two some readings are left
    assert record.runs == before.runs == 1
    assert replay(folder).pauses.active  # a run that was killed in a pause comes back paused


@pytest.mark.parametrize(
    ("stretch", "reason"),
    [
        ({"line": 2}, "nothing was read there"),
        ({}, "at least one of '--line', '--from', '--begin' and '--end' must be given"),
        ({"start": "5 mm"}, "'--from' and '--to' are given together"),
        ({"start": "5 kg", "to": "8 mm"}, "'--from'"),
        ({"begin": "line 2"}, "there is no note 'line 2'"),
    ],
)
def test_refused_revision_changes_nothing(
    folder: SurveyFolder, stretch: dict[str, object], reason: str
) -> None:
    """The reason is an error of the command."""
    before = stored(folder)
    with pytest.raises(SwatheError, match=reason.replace("(", r"\(")):
        revise.discard(folder.path, **WHO, **stretch)  # type: ignore[arg-type]
    assert marks(folder) == []
    assert stored(folder) == before


def test_unknown_revision_is_refused(folder: SurveyFolder) -> None:
    """With its number; a survey that ended keeps its status."""
    write_run(folder, [opened(TEXT, time=START + 9000 * MS), ended(START + 9100 * MS)])
    with pytest.raises(SwatheError, match="there is no revision 3"):
        revise.restore(folder.path, revision=3, by="B. Lind", because="wrong")
