"""Revisions of a journal: which are in force, and that every replay is given them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from daemon.handmade import MS, START, UTC, ended, opened
from daemon.surveys import BACK, FORWARD, TEXT, assert_same, write_survey
from swathe import open_survey
from swathe.journal import Entry, Mark, MarkKind
from swathe.store import replay, revisions_in_force, write_derived

LATER = 60_000


def discard(number: int, ms: int, **other: Any) -> Mark:
    """Return the mark that discards what was read until then, so many ms after the start."""
    stretch = {"begin": None, "end": None, "this_run": False, "line": None, "scan": None}
    who = {"revision": number, "by": "K", "because": "slip"}
    return Mark(START + ms * MS, MarkKind.DISCARDED, {**stretch, **who, **other})


def restore(number: int, ms: int) -> Mark:
    """Return the mark that takes a revision back."""
    detail = {"revision": number, "by": "L", "because": "it was right"}
    return Mark(START + ms * MS, MarkKind.RESTORED, detail)


def run(*marks: Mark, utc: int = UTC) -> list[Entry]:
    """Return a run over the first 14 mm with marks."""
    entries: list[Entry] = sorted([*FORWARD.entries(), *marks], key=lambda one: one.time)
    return [opened(TEXT, utc=utc), *entries, ended(START + 2000 * MS)]


def test_revisions_in_force_are_those_that_nobody_took_back(tmp_path: Path) -> None:
    """Until a time: a replay up to there is what was known then."""
    folder = write_survey(
        tmp_path / "survey", [run(discard(1, 500), discard(2, 900), restore(1, 1300))]
    )
    for until, numbers in ((499, []), (500, [1]), (900, [1, 2]), (1299, [1, 2]), (1300, [2])):
        at = UTC + until * MS
        assert [one.number for one in revisions_in_force(folder, until=at)] == numbers
        found = replay(folder, until=at)
        assert [one.number for one in found.applied_revisions.revisions] == numbers
        assert not found.revisions_pending
    assert [one.number for one in revisions_in_force(folder)] == [2]


def test_every_replay_is_given_the_revisions(tmp_path: Path) -> None:
    """Rebuild, and the survey as Python has it."""
    folder = write_survey(tmp_path / "survey", [run(discard(1, 1450))])
    plain = write_survey(tmp_path / "plain", [run()])
    assert replay(plain).coverage.measured > 10
    rebuilt = replay(folder)
    assert rebuilt.coverage.measured == 0
    with folder:
        write_derived(folder, rebuilt)
    survey = open_survey(folder.path)
    again = survey.replay()
    assert again.record == survey.record
    assert again.arrays().identical(survey.arrays().load())
    (one,) = survey.record.revisions
    assert (one.number, one.readings) == (1, rebuilt.revision_snapshots()[0].readings)
    assert survey.replay(until="1400 ms").record.progress.measured > 10


def test_clock_that_was_set_back_between_runs_is_not_taken_for_the_order(tmp_path: Path) -> None:
    """What was read before the command is meant, and not what an earlier run read 'later'."""
    ahead = run(utc=UTC + LATER * MS)
    whole = replay(write_survey(tmp_path / "whole", [ahead, run(discard(1, 1450))]))
    assert whole.coverage.measured == 0
    last = discard(1, 1450, begin=UTC + 700 * MS, this_run=True)
    few = replay(write_survey(tmp_path / "last", [ahead, run(last)]))
    first = replay(write_survey(tmp_path / "first", [ahead]))
    assert few.coverage.measured >= first.coverage.measured > 10
    # What a later run reads counts, whatever its clock says.
    behind = [
        opened(TEXT, time=START, utc=UTC - LATER * MS),
        *BACK.entries(),
        ended(START + 2000 * MS),
    ]
    after = replay(write_survey(tmp_path / "after", [run(discard(1, 1450)), behind]))
    assert_same(after, replay(write_survey(tmp_path / "same", [run(discard(1, 1450)), behind])))
    assert after.coverage.measured > 10
