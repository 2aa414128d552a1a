"""Undo, rebuild and redo on real files: the arrays are those of a survey without the slip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.surveys import write_survey
from support.hand.bench import START, UTC
from support.hand.hand import LINES, NAME, Hand, Plan
from support.hand.shift import change_line, end_of_line, scan_line
from swathe.journal import Entry, Mark, MarkKind
from swathe.pipeline.revisions import Revision
from swathe.store import replay, write_derived

_PLANS = (replace(LINES, lines=2), Plan(lines=1, clock=False), Plan(lines=2, around=True))


def _shift(seed: int) -> tuple[list[Entry], int, int]:
    """Return a journal with a burst of thin readings, and the times around it, host ns."""
    hand = Hand(_PLANS[seed % len(_PLANS)], np.random.default_rng([seed, 7]))
    hand.rest(1.0)
    around: list[int] = []
    for row in range(hand.plan.lines):
        if row:
            change_line(hand, row)
        hand.line_from = hand.scanner.scan
        hand.line_to = end_of_line(hand)
        hand.couple()
        hand.stroke(hand.line_from + float(hand.rng.uniform(40.0, 200.0)))
        if row == 0:
            around.append(_host(hand))
            hand.scanner.gauge = "burst"
            hand.move(hand.scanner.scan + float(hand.rng.uniform(5.0, 30.0)))
            hand.scanner.gauge = "good"
            around.append(_host(hand))
            if hand.rng.random() < 0.5:  # back over it
                hand.move(hand.line_from + 10.0)
        scan_line(hand, row)
    hand.lift()
    hand.rest(1.0)
    hand.bench.end()
    return hand.bench.journal, around[0], around[1]


def _host(hand: Hand) -> int:
    return START + round(hand.bench.now * 1e9)


def _with_marks(journal: list[Entry], *marks: Mark) -> list[Entry]:
    """Return a journal with some more marks, in order of time."""
    return sorted([*journal, *marks], key=lambda entry: entry.time)


def _rebuilt(folder: Path, journal: list[Entry]) -> dict[str, bytes]:
    """Return the chunks of the arrays that a rebuild of a journal on disk writes, by path."""
    survey = write_survey(folder, [journal])
    with survey:
        write_derived(survey, replay(survey))
    files = [path for path in sorted(survey.zarr.rglob("*")) if path.is_file()]
    return {
        str(path.relative_to(survey.zarr)): path.read_bytes()
        for path in files
        if path.name != "zarr.json"
    }


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1))
def test_undo_rebuild_redo_gives_the_arrays_of_a_survey_without_the_slip(
    tmp_path: Path, seed: int
) -> None:
    """Discarded, the arrays are those of a survey paused meanwhile; restored, those of the slip."""
    journal, begin, end = _shift(seed)
    last = journal[-1].time - 1

    def undo(number: int, time: int) -> Mark:
        offset = UTC - START
        stretch = Revision(
            number, begin + offset, end + offset, None, None, None, NAME, "a burst", time
        )
        return Mark(time, MarkKind.DISCARDED, stretch.detail())

    def redo(number: int, time: int) -> Mark:
        detail: dict[str, Any] = {"revision": number, "by": NAME, "because": "the wrong one"}
        return Mark(time, MarkKind.RESTORED, detail)

    slipped = _rebuilt(tmp_path / "slipped", journal)
    discarded = _rebuilt(tmp_path / "discarded", _with_marks(journal, undo(1, end + 500)))
    late = _rebuilt(tmp_path / "late", _with_marks(journal, undo(1, last)))
    paused = _rebuilt(
        tmp_path / "paused",
        _with_marks(
            journal,
            Mark(begin, MarkKind.PAUSED, {"by": NAME, "because": ""}),
            Mark(end, MarkKind.RESUMED, {"by": NAME}),
        ),
    )
    restored = _rebuilt(
        tmp_path / "restored",
        _with_marks(journal, undo(1, end + 500), redo(1, end + 700)),
    )
    again = _rebuilt(
        tmp_path / "again",
        _with_marks(journal, undo(1, end + 500), redo(1, end + 700), undo(2, last)),
    )
    assert any(path.startswith("thickness") for path in slipped)
    assert discarded == paused
    assert late == paused
    assert again == paused
    assert restored == slipped
    assert discarded != slipped
