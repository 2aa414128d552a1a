"""A survey in words: what is known is said, and what is not known too."""

from __future__ import annotations

import io
import json

from rich.console import Console

from daemon.handmade import (
    INDEX_STEPPED,
    MS,
    START,
    UTC,
    Motion,
    ended,
    opened,
    run,
    station,
    station_text,
)
from daemon.pipeline.cutting import revisions_of
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Pipeline
from swathe.report import gaps_json, gaps_table, survey_lines
from swathe.store import record_of


def lines(*, moved: bool = True) -> list[str]:
    """Return the lines of a survey of 21 cells."""
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1200 if moved else 10)
    return survey_lines(record_of(run(station_text(), motion.entries())))


def test_survey_without_record_states_no_uncertainty() -> None:
    """Values of the station file have no uncertainty that anybody knows: said, not guessed."""
    told = lines()
    assert "100.00 % of 21 cells measured" in told[1]
    assert "minimum 10.000 mm at 0.00 mm;" in told[1]
    assert "no calibration check" in told
    assert any(
        line.startswith("uncertainty not stated for the true minimum: it requires a calibration")
        for line in told
    )
    assert told[-1].startswith("Measured values only; no statement of fitness for service.")


def test_survey_without_reading_says_so() -> None:
    """Before the first reading there is no minimum thickness."""
    told = lines(moved=False)
    assert "no reading yet" in told
    assert "minimum" not in told[1]


def test_marks_and_positions_that_operators_set_are_listed() -> None:
    """Where the probe was by whose word: an auditor sees what the encoder's positions rest on."""
    text = station_text(exclude='[[mark]]\nname = "datum"\nscan = "-40 mm"\n')
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 600)
    detail = {"scan": -40.0, "by": "A. Kern", "mark": "datum"}
    marks = [
        Mark(START + 601 * MS, MarkKind.REFERENCED, detail),
        Mark(START + 602 * MS, MarkKind.REFERENCED, {"scan": 2.5, "by": "A. Kern"}),
        Mark(START + 603 * MS, MarkKind.REFERENCED, {"scan": 0.0, "by": "crawler"}),
    ]
    told = survey_lines(record_of(run(text, motion.entries(), marks)))
    assert "mark: datum, scan -40 mm" in told
    assert [line for line in told if line.startswith("position set")] == [
        "position set at 2027-01-15 08:00:00 UTC by A. Kern: datum, scan -40 mm",
        "position set at 2027-01-15 08:00:00 UTC by A. Kern: scan 2.5 mm",
    ]


def test_discarded_and_moved_readings_are_listed() -> None:
    """By whom, why, how many, and who took it back."""
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1200)
    text = station_text(index=INDEX_STEPPED.format(length=2, advance="command"))
    stretch = {
        "begin": None,
        "end": UTC + 900 * MS,
        "line": 0,
        "scan": [2.0, 5.0],
        "this_run": False,
    }
    who = {"by": "A. Kern", "because": "slip"}
    marks = [
        Mark(START + 1201 * MS, MarkKind.DISCARDED, {"revision": 1, **stretch, **who}),
        Mark(START + 1202 * MS, MarkKind.MOVED, {"revision": 2, **stretch, **who, "to_line": 1}),
        Mark(
            START + 1203 * MS,
            MarkKind.RESTORED,
            {"revision": 1, "by": "B. Lind", "because": "it was right"},
        ),
    ]
    entries = [opened(text), *motion.entries(), *marks]

    def told(*, known: bool) -> list[str]:
        revisions = revisions_of(entries) if known else ()
        pipeline = Pipeline(station(text), revisions=revisions)
        for entry in entries:
            pipeline.feed(entry)
        return [one for one in survey_lines(record_of(pipeline)) if one.startswith("revision")]

    first = (
        "revision 1, 2027-01-15 08:00 UTC: line 0, 2…5 mm, until 08:00:00 UTC discarded by A. Kern "
        "(slip); restored by B. Lind, 2027-01-15 08:00 UTC (it was right)"
    )
    second = (
        "revision 2, 2027-01-15 08:00 UTC: line 0, 2…5 mm, until 08:00:00 UTC moved to line 1 by "
        "A. Kern (slip)"
    )
    assert told(known=True) == [first, f"{second}: 30 readings"]
    assert told(known=False) == [
        first,
        f"{second}; NOT APPLIED yet: `swathe rebuild` places the survey again",
    ]


def test_clipped_and_ambiguous_echoes_are_reported() -> None:
    """Both are counted by port, with what to do and why."""
    pipeline = run(station_text())
    tally = pipeline.tallies["gauge"]
    assert not [line for line in survey_lines(record_of(pipeline)) if "clipped" in line]
    tally.saturated, tally.ambiguous = 3, 1
    tally.ambiguous_by.update({"polarity": 1, "cycle": 1})
    lines = survey_lines(record_of(pipeline))
    assert "gauge: 3 readings clipped: lower the gain" in lines
    assert "gauge: 1 reading ambiguous: 1 cycle, 1 polarity" in lines


def test_causes_and_zones_are_in_the_report() -> None:
    """A stretch without signal within what nobody scanned, and a zone by whom, when and why."""
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda ms: "N" if ms > 400 else 10.0, 0, 500)
    detail = {"name": "lug", "scan": [15, 16], "index": None, "by": "K", "because": "in the way"}
    zone = Mark(START + 600 * MS, MarkKind.ZONE_EXCLUDED, detail)
    pipeline = run(station_text(), motion.entries(), [zone, ended(START + 700 * MS)])
    record = record_of(pipeline)
    told = survey_lines(record)
    assert "missing in 2 open gaps, by cause: 9 unvisited, 2 no signal" in told
    assert "    of gap 1, 2 cells no signal: scan 7.5…9.5 mm" in told
    when = "2027-01-15 08:00:00"
    lug = f"lug, scan 15…16 mm, 2 cells, by K, {when} UTC: in the way"
    assert f"excluded while scanning: {lug}" in told
    console = Console(width=150, file=io.StringIO(), color_system=None)
    console.print(gaps_table(record, closed=True))
    assert isinstance(console.file, io.StringIO)
    table = console.file.getvalue()
    assert "unvisited, of 7 cells 2 no signal" in table
    assert "excluded: lug, by K: in the way" in table
    assert json.loads(gaps_json(record))["excluded"][0]["because"] == "in the way"
