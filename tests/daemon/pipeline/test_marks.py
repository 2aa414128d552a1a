"""Marks: every kind has an effect of its own, from the mark on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from daemon.handmade import (
    INDEX_STEPPED,
    MS,
    START,
    UTC,
    Motion,
    feed,
    opened,
    run,
    station,
    station_text,
)
from daemon.spot_journal import SpotJournal, spot_station
from swathe.journal import Mark, MarkKind, Tick
from swathe.pipeline import Pipeline
from swathe.pipeline.progress.fields import moment
from swathe.station import AlarmKind

CHECK = {"phase": "interval", "by": "A. Kern", "tolerance": 0.1, "block": "steps"}
STEP = {"thickness": 10.0, "begin": START, "end": START + MS}
ZONE = {"name": "nozzle", "scan": [4.0, 6.0], "index": None, "by": "A. Kern"}

TEXT = station_text(
    index=INDEX_STEPPED.format(length=2, advance="command"), survey='alert_below = "5 mm"'
)


def mark(kind: MarkKind, **detail: Any) -> Mark:
    """Return a mark at 2000 ms."""
    return Mark(START + 2000 * MS, kind, detail)


DISCARD: dict[str, Any] = {
    "revision": 1,
    "begin": None,
    "end": UTC + 1000 * MS,
    "this_run": False,
    "line": 0,
    "scan": None,
    "by": "A. Kern",
    "because": "wrong line",
}

DOUBTFUL: dict[str, Any] = {
    "place": 1, "scan": 5.0, "index": 0.0, "thickness": 3.0, "by": "A. Kern", "text": "seen"
}  # fmt: skip
SPOT_READ: dict[str, Any] = {"spot": "P1", "first": 0, "last": 190, "by": "A. Kern"}
SPOT = {"spot": "P1", "by": "A. Kern", "because": "pitted"}

PLANNED = {"along": "scan", "stretches": [[0.0, 0.0, 9.0]]}
BEFORE: dict[MarkKind, list[Mark]] = {
    MarkKind.CHECK_STEP: [mark(MarkKind.CHECK_BEGUN, **CHECK)],
    MarkKind.CHECK_ENDED: [mark(MarkKind.CHECK_BEGUN, **CHECK)],
    MarkKind.CHECK_GIVEN_UP: [mark(MarkKind.CHECK_BEGUN, **CHECK)],
    MarkKind.CHECK_OVERRIDDEN: [mark(MarkKind.CHECK_BEGUN, **CHECK), mark(MarkKind.CHECK_ENDED)],
    MarkKind.RESUMED: [mark(MarkKind.PAUSED, by="A. Kern", because="couplant")],
    MarkKind.STRETCH_BEGUN: [mark(MarkKind.RASTER_PLANNED, **PLANNED)],
    MarkKind.RESTORED: [mark(MarkKind.DISCARDED, **DISCARD)],
    MarkKind.SPOT_ACCEPTED: [mark(MarkKind.SPOT_READ, **SPOT_READ)],
    MarkKind.SPOT_REOPENED: [mark(MarkKind.SPOT_CLOSED, **SPOT)],
}
"""Marks that have to come before one, for it to have an effect."""

DETAIL: dict[MarkKind, dict[str, Any]] = {
    MarkKind.OPENED: opened(TEXT).detail,
    MarkKind.LINE: {"line": 1, "by": "A. Kern"},
    MarkKind.LINE_BLOCKED: {"line": 1, "by": "A. Kern"},
    MarkKind.NOTE: {"text": "wet", "by": "A. Kern"},
    MarkKind.CHECK_BEGUN: CHECK,
    MarkKind.CHECK_STEP: STEP,
    MarkKind.CHECK_ENDED: {},
    MarkKind.CHECK_GIVEN_UP: {"by": "A. Kern", "because": "no couplant"},
    MarkKind.CHECK_OVERRIDDEN: {"check": 1, "by": "A. Kern", "because": "wrong step"},
    MarkKind.PAUSED: {"by": "A. Kern", "because": "couplant"},
    MarkKind.RESUMED: {"by": "A. Kern"},
    MarkKind.ZONE_EXCLUDED: ZONE,
    MarkKind.GAP_REQUESTED: {"gap": 1, "by": "A. Kern"},
    MarkKind.ALARM_ACKNOWLEDGED: {"alarm": 1, "by": "A. Kern"},
    MarkKind.MOTION: {"state": "failing", "event": "limit", "text": "at the limit"},
    MarkKind.FIRST_MOVE: {"sound": True, "text": "scan 10.0 mm commanded"},
    MarkKind.RASTER_PLANNED: PLANNED,
    MarkKind.STRETCH_BEGUN: {"number": 0},
    MarkKind.REFERENCED: {"scan": 1.0, "index": None, "by": "crawler"},
    MarkKind.DELAY_ESTIMATED: {
        "device": "gauge",
        "delay_ns": 0,
        "low_ns": None,
        "high_ns": None,
        "pairs": 1,
        "reason": "one pair of lines",
        "needs": "more lines",
    },
    MarkKind.DELAY: {"device": "gauge", "delay_ns": 5, "low_ns": 4, "high_ns": 6, "pairs": 8},
    MarkKind.DISCARDED: DISCARD,
    MarkKind.MOVED: {**DISCARD, "to_line": 1},
    MarkKind.RESTORED: {"revision": 1, "by": "B. Lind", "because": "it was right"},
    MarkKind.CONFIRMED: DOUBTFUL,
    MarkKind.REJECTED: DOUBTFUL,
    MarkKind.SPOT_READ: SPOT_READ,
    MarkKind.SPOT_ACCEPTED: SPOT,
    MarkKind.SPOT_CLOSED: SPOT,
    MarkKind.SPOT_REOPENED: SPOT,
    MarkKind.SENSITIVITY: {
        "by": "A. Kern",
        "measured": 71.0,
        "reference": 80.0,
        "tolerance": 2.0,
        "spread": 0.4,
        "readings": 20,
        "block": "B-7",
        "step": 10.0,
    },
    MarkKind.GATES_CHANGED: {"by": "A. Kern", "changes": ["a: 1 -> 2"], "made": 1, "id": "a"},
    MarkKind.HEALTH: {"about": "wrong tokens", "of": "", "holds": True, "detail": "3 guesses"},
    MarkKind.ENDED: {"status": "incomplete", "reason": ""},
}


def steps_of_ended_check(pipeline: Pipeline) -> int:
    """End the check that is in progress; return how many steps it has."""
    pipeline.feed(mark(MarkKind.CHECK_ENDED))
    return len(pipeline.suspect_cells.checks.checks[-1].steps)


def alarms_at_the_next_tick(pipeline: Pipeline) -> list[tuple[AlarmKind, str]]:
    """Return kind and text of each alarm a little later."""
    pipeline.feed(Tick(START + 2100 * MS))
    return [(alarm.kind, alarm.detail) for alarm in pipeline.alarms.alarms]


EFFECT: dict[MarkKind, Callable[[Pipeline], object]] = {
    MarkKind.OPENED: lambda p: p.runs,
    MarkKind.LINE: lambda p: p.line,
    MarkKind.LINE_BLOCKED: lambda p: p.line,
    MarkKind.NOTE: lambda p: list(p.notes),
    MarkKind.CHECK_BEGUN: lambda p: p.suspect_cells.checks.in_progress,
    MarkKind.CHECK_STEP: steps_of_ended_check,
    MarkKind.CHECK_ENDED: lambda p: len(p.suspect_cells.checks.checks),
    MarkKind.CHECK_GIVEN_UP: lambda p: p.suspect_cells.checks.in_progress,
    MarkKind.CHECK_OVERRIDDEN: lambda p: p.suspect_cells.in_force,
    MarkKind.PAUSED: lambda p: p.pauses.active,
    MarkKind.RESUMED: lambda p: p.pauses.active,
    MarkKind.ZONE_EXCLUDED: lambda p: p.coverage.required,
    MarkKind.GAP_REQUESTED: lambda p: [request.number for request in p.requests.gaps],
    MarkKind.ALARM_ACKNOWLEDGED: lambda p: p.alarms.alarms[0].acknowledged_by,
    MarkKind.MOTION: lambda p: list(p.crawler.halts),
    MarkKind.FIRST_MOVE: lambda p: list(p.crawler.first_moves),
    MarkKind.RASTER_PLANNED: lambda p: p.coverage.planned.todo.any(),
    MarkKind.STRETCH_BEGUN: lambda p: p.coverage.planned.todo.any(),
    MarkKind.REFERENCED: lambda p: (p.position, p.crawler.reference),
    MarkKind.DELAY_ESTIMATED: lambda p: dict(p.estimated_delays),
    MarkKind.DELAY: lambda p: (dict(p.estimated_delays), dict(p.newest_delays)),
    MarkKind.DISCARDED: lambda p: p.revisions.in_force,
    MarkKind.MOVED: lambda p: p.revisions.in_force,
    MarkKind.RESTORED: lambda p: p.revisions.in_force,
    MarkKind.CONFIRMED: lambda p: p.minimum.value,
    MarkKind.REJECTED: lambda p: [one.state for one in p.spurious.register.places],
    MarkKind.SPOT_READ: lambda p: p.spot_snapshots(),
    MarkKind.SPOT_ACCEPTED: lambda p: p.coverage.measured,
    MarkKind.SPOT_CLOSED: lambda p: p.coverage.required,
    MarkKind.SPOT_REOPENED: lambda p: p.coverage.required,
    MarkKind.SENSITIVITY: lambda p: [check.passed for check in p.setup.checks],
    MarkKind.GATES_CHANGED: lambda p: (list(p.setup.gates), set(p.setup.entries)),
    MarkKind.HEALTH: alarms_at_the_next_tick,
    MarkKind.ENDED: lambda p: p.status,
}


def scanned() -> Pipeline:
    """Return a pipeline after most of a first line, with a wall below the alert level."""
    motion = Motion(lambda ms: (ms / 100,), lambda _: 4.0, 0, 1500)
    return run(TEXT, motion.entries())


def doubtful() -> Pipeline:
    """Return the same with a lower value in one cell."""
    motion = Motion(lambda ms: (ms / 100,), lambda ms: 3.0 if 460 <= ms < 540 else 4.0, 0, 1500)
    return run(TEXT, motion.entries())


def held() -> Pipeline:
    """Return a pipeline of spots after half a second with the probe on one, its readings jumpy."""
    journal = SpotJournal(spot_station(("P1", "P2")))
    journal.hold(11.0, 11.6, noise=0.0)
    return journal.pipeline


@pytest.mark.slow
# What a run took over has an effect behind lost bytes only: tests/daemon/journal/test_damage.py.
@pytest.mark.parametrize("kind", [kind for kind in MarkKind if kind is not MarkKind.INHERITED])
def test_mark_of_every_kind_has_its_effect(kind: MarkKind) -> None:
    """A pipeline with the mark differs from one without it in what the mark is about."""
    begun = held if kind.startswith("spot") else scanned
    if kind in (MarkKind.CONFIRMED, MarkKind.REJECTED):
        begun = doubtful
    without, with_mark = begun(), begun()
    for pipeline in (without, with_mark):
        feed(pipeline, BEFORE.get(kind, []))
    with_mark.feed(mark(kind, **DETAIL[kind]))
    assert EFFECT[kind](with_mark) != EFFECT[kind](without)


def test_gap_opens_at_a_mark_as_at_an_instant() -> None:
    """A mark between two instants evaluates what was received before it."""
    pipeline = Pipeline(station(TEXT))
    pipeline.collect(opened(TEXT))
    motion = Motion(lambda ms: (ms / 10,), lambda ms: "N" if ms >= 40 else 10.0, 0, 73)
    pipeline.collect_all(motion.entries())
    acknowledged = {"alarm": 99, "by": "K"}
    pipeline.collect(Mark(START + 74 * MS, MarkKind.ALARM_ACKNOWLEDGED, acknowledged))
    opened_at = {gap.opened for gap in pipeline.gap_snapshots()}
    assert opened_at == {moment(UTC + 74 * MS)}


def test_failed_check_is_an_alarm_at_the_instant_after_its_mark() -> None:
    """Though no reading and no other event follows."""
    pipeline = Pipeline(station(TEXT))
    pipeline.collect(opened(TEXT))
    pipeline.collect(Tick(START + 120 * MS))
    pipeline.advance()
    begun = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B-7"}
    pipeline.collect(Mark(START + 130 * MS, MarkKind.CHECK_BEGUN, begun))
    pipeline.collect(Mark(START + 210 * MS, MarkKind.CHECK_ENDED, {}))
    assert pipeline.alarms.alarms == []
    pipeline.collect(Tick(START + 251 * MS))
    pipeline.advance()
    assert [alarm.kind for alarm in pipeline.alarms.alarms] == [AlarmKind.CHECK_FAILED]


def test_run_that_was_killed_keeps_what_it_received_to_its_end() -> None:
    """The mark that opens the next run comes after all readings of the one before."""
    pipeline = Pipeline(station(TEXT))
    pipeline.collect(opened(TEXT))
    motion = Motion(lambda ms: (ms / 50,), lambda _: 10.0, 0, 400)
    pipeline.collect_all(motion.entries())
    pipeline.collect(opened(TEXT, time=START + 5000 * MS))
    assert pipeline.readings + pipeline.unplaced == 81
    assert pipeline.readings >= 80
