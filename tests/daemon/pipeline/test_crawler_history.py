"""What the journal tells of a machine that moves the probe, and pauses that it shares with people."""

from __future__ import annotations

import numpy as np

from daemon.handmade import MS, START, Motion, run, station_text, ticks
from swathe.journal import Mark, MarkKind
from swathe.motion import Action, CrawlStates, Event, State
from swathe.pipeline import Halt
from swathe.pipeline.placing.pauses import Pauses
from swathe.report import survey_lines
from swathe.store import record_of


def motion_marks(*events: tuple[Event, str]) -> list[Mark]:
    """Return the marks that a machine's changes leave behind, a second apart."""
    made: list[Mark] = []

    def changed(event: Event, text: str, state: State) -> None:
        detail = {"state": str(state), "event": str(event), "text": text}
        made.append(Mark(START + len(made) * 1000 * MS, MarkKind.MOTION, detail))

    machine = CrawlStates(changed)
    for event, text in events:
        assert machine.take(event, text) is not Action.REFUSE
    return made


def test_armings_and_halts_are_counted() -> None:
    """Each arming counts, each halt has its cause; moves and the end of the run do not."""
    marks = motion_marks(
        (Event.ARMED, ""),
        (Event.MOVE, "to scan 5.0 mm"),
        (Event.REACHED, ""),
        (Event.MOVE, "to scan 9.0 mm"),
        (Event.ENCODER_SILENT, "nothing came from the encoder"),
        (Event.AT_REST, ""),
        (Event.CLEARED, ""),
        (Event.ARMED, ""),
        (Event.STOP_ASKED, "paused by operator"),
        (Event.END, "the run is over"),
    )
    pipeline = run(station_text(), Motion(lambda _: (0.0,), lambda _: 10.0, 0, 20).entries(), marks)
    assert pipeline.crawler.armings == 2
    assert [(halt.cause, halt.text) for halt in pipeline.crawler.halts] == [
        ("encoder silent", "nothing came from the encoder"),
        ("stop asked", "paused by operator"),
    ]
    assert isinstance(pipeline.crawler.halts[0], Halt)
    told = survey_lines(record_of(pipeline))
    assert "moved by a crawler: armed 2 times, halted 2 times" in told
    assert any(line.endswith("UTC: encoder silent: nothing came from the encoder") for line in told)
    assert any("no emergency stop" in line for line in told)


def test_first_moves_are_in_record_and_report() -> None:
    """What was compared, and what was wrong, with its time; cells do not depend on it."""
    marks = [*motion_marks((Event.ARMED, ""))]
    for ms, sound, text in ((100, True, "first move: scan"), (200, False, "first move of scan")):
        detail = {"sound": sound, "text": text}
        marks.append(Mark(START + ms * MS, MarkKind.FIRST_MOVE, detail))
    motion = Motion(lambda _: (0.0,), lambda _: 10.0, 0, 20)
    record = record_of(run(station_text(), motion.entries(), marks))
    assert record.crawler is not None
    found = [(each.sound, each.text) for each in record.crawler.first_moves]
    assert found == [(True, "first move: scan"), (False, "first move of scan")]
    lines = [line for line in survey_lines(record) if "UTC: first move" in line]
    assert [line.rpartition("UTC: ")[2] for line in lines] == [text for _, text in found]
    before = record_of(run(station_text(), motion.entries(), marks[:1]))
    assert (before.progress.measured, before.gaps) == (record.progress.measured, record.gaps)


def test_survey_without_a_crawler_says_nothing_of_one() -> None:
    """A hand-moved scanner is cautioned of no crawler."""
    pipeline = run(station_text(), Motion(lambda _: (0.0,), lambda _: 10.0, 0, 20).entries())
    record = record_of(pipeline)
    assert record.crawler is None
    assert not any("crawler" in line for line in survey_lines(record))


def test_pause_from_the_start_holds_what_waited_in_a_port() -> None:
    """A line that was read before the mark, or before the run, counts as little as those after."""
    pauses = Pauses()
    pauses.begin(100, by="crawler", because="no reference", from_start=True)
    pauses.end(300)
    assert pauses.holds(np.array([-50, 99, 100, 299, 300])).tolist() == [True] * 4 + [False]
    # A run that begins while a pause lasts begins in it.
    pauses.begin(400, by="crawler", because="homing")
    pauses.reopen()
    assert pauses.holds(np.array([-50, 10**18])).all()


def test_readings_before_a_pause_from_the_start_belong_to_no_cell() -> None:
    """Readings that are older than the mark are placed by counts that mean nothing yet."""
    motion = Motion(lambda ms: (ms / 100,), lambda _: 10.0, 0, 1000)
    detail = {"by": "crawler", "because": "no reference", "from_start": True}
    late = Mark(START + 1001 * MS, MarkKind.PAUSED, detail)
    after = list(ticks(1050, 1050))
    pipeline = run(station_text(), [late], motion.entries(), after)
    assert pipeline.coverage.measured == 0
    later = Mark(late.time, MarkKind.PAUSED, {"by": "crawler", "because": "homing"})
    assert run(station_text(), [later], motion.entries(), after).coverage.measured > 0


def test_pause_of_a_person_goes_above_that_of_the_crawler() -> None:
    """A pause that lasts goes on under the newer name, without a moment between."""
    pauses = Pauses()
    pauses.begin(100, by="crawler", because="homing")
    pauses.begin(200, by="operator", because="somebody walks through")
    assert (pauses.by, pauses.because) == ("operator", "somebody walks through")
    assert pauses.holds(np.array([99, 100, 199, 200, 300])).tolist() == [
        False,
        True,
        True,
        True,
        True,
    ]
    pauses.end(400)
    assert not pauses.active
    assert pauses.holds(np.array([250, 399, 400])).tolist() == [True, True, False]
