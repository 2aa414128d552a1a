"""Marks: every kind has an effect of its own, from the mark on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from daemon.handmade import INDEX_STEPPED, MS, START, Motion, feed, opened, run, station_text
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Pipeline

CHECK = {"phase": "interval", "by": "A. Kern", "tolerance": 0.1, "block": "steps"}
STEP = {"thickness": 10.0, "begin": START, "end": START + MS}
ZONE = {"name": "nozzle", "scan": [4.0, 6.0], "index": None, "by": "A. Kern"}

TEXT = station_text(
    index=INDEX_STEPPED.format(length=2, advance="command"), survey='alert_below = "5 mm"'
)


def mark(kind: MarkKind, **detail: Any) -> Mark:
    """Return a mark at 2000 ms."""
    return Mark(START + 2000 * MS, kind, detail)


BEFORE: dict[MarkKind, list[Mark]] = {
    MarkKind.CHECK_STEP: [mark(MarkKind.CHECK_BEGUN, **CHECK)],
    MarkKind.CHECK_ENDED: [mark(MarkKind.CHECK_BEGUN, **CHECK)],
    MarkKind.CHECK_OVERRIDDEN: [mark(MarkKind.CHECK_BEGUN, **CHECK), mark(MarkKind.CHECK_ENDED)],
    MarkKind.RESUMED: [mark(MarkKind.PAUSED, by="A. Kern", because="couplant")],
}
"""Marks that have to come before one, for it to have an effect."""

DETAIL: dict[MarkKind, dict[str, Any]] = {
    MarkKind.OPENED: opened(TEXT).detail,
    MarkKind.LINE: {"line": 1, "by": "A. Kern"},
    MarkKind.NOTE: {"text": "wet", "by": "A. Kern"},
    MarkKind.CHECK_BEGUN: CHECK,
    MarkKind.CHECK_STEP: STEP,
    MarkKind.CHECK_ENDED: {},
    MarkKind.CHECK_OVERRIDDEN: {"check": 1, "by": "A. Kern", "because": "wrong step"},
    MarkKind.PAUSED: {"by": "A. Kern", "because": "couplant"},
    MarkKind.RESUMED: {"by": "A. Kern"},
    MarkKind.ZONE_EXCLUDED: ZONE,
    MarkKind.GAP_REQUESTED: {"gap": 1, "by": "A. Kern"},
    MarkKind.ALARM_ACKNOWLEDGED: {"alarm": 1, "by": "A. Kern"},
    MarkKind.MOTION: {"state": "failing", "event": "limit", "text": "at the limit"},
    MarkKind.REFERENCED: {"scan": 1.0, "index": None, "by": "A. Kern"},
    MarkKind.ENDED: {"status": "incomplete", "reason": ""},
}


def steps_of_ended_check(pipeline: Pipeline) -> int:
    """End the check that is in progress; return how many steps it has."""
    pipeline.feed(mark(MarkKind.CHECK_ENDED))
    return len(pipeline.suspect_cells.checks.checks[-1].steps)


EFFECT: dict[MarkKind, Callable[[Pipeline], object]] = {
    MarkKind.OPENED: lambda p: p.runs,
    MarkKind.LINE: lambda p: p.line,
    MarkKind.NOTE: lambda p: list(p.notes),
    MarkKind.CHECK_BEGUN: lambda p: p.suspect_cells.checks.in_progress,
    MarkKind.CHECK_STEP: steps_of_ended_check,
    MarkKind.CHECK_ENDED: lambda p: len(p.suspect_cells.checks.checks),
    MarkKind.CHECK_OVERRIDDEN: lambda p: p.suspect_cells.in_force,
    MarkKind.PAUSED: lambda p: p.pauses.active,
    MarkKind.RESUMED: lambda p: p.pauses.active,
    MarkKind.ZONE_EXCLUDED: lambda p: p.coverage.required,
    MarkKind.GAP_REQUESTED: lambda p: [request.number for request in p.requests.gaps],
    MarkKind.ALARM_ACKNOWLEDGED: lambda p: p.alarms.alarms[0].acknowledged_by,
    MarkKind.MOTION: lambda p: list(p.crawler.halts),
    MarkKind.REFERENCED: lambda p: (p.position, p.crawler.reference),
    MarkKind.ENDED: lambda p: p.status,
}


def scanned() -> Pipeline:
    """Return a pipeline after most of a first line, with a wall below the alert level."""
    motion = Motion(lambda ms: (ms / 100,), lambda _: 4.0, 0, 1500)
    return run(TEXT, motion.entries())


@pytest.mark.parametrize("kind", MarkKind)
def test_mark_of_every_kind_has_its_effect(kind: MarkKind) -> None:
    """A pipeline with the mark differs from one without it in what the mark is about."""
    without, with_mark = scanned(), scanned()
    for pipeline in (without, with_mark):
        feed(pipeline, BEFORE.get(kind, []))
    with_mark.feed(mark(kind, **DETAIL[kind]))
    assert EFFECT[kind](with_mark) != EFFECT[kind](without)
