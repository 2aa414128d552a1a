"""What was set up for a survey, in its record and report."""

from __future__ import annotations

from daemon.handmade import MS, START, UTC, Motion, run, station_text
from swathe.display_units import INCHES
from swathe.journal import Mark, MarkKind
from swathe.report import survey_lines
from swathe.report.setup_lines import sensitivity_text, setup_lines
from swathe.store import record_of

DETAIL = {
    "by": "A. Kern",
    "measured": 63.0,
    "reference": 80.0,
    "tolerance": 2.0,
    "spread": 0.4,
    "readings": 20,
    "block": "B-7",
    "step": 12.7,
}


def test_record_and_report_have_checks_and_changed_gates() -> None:
    """Each is listed with its name and time, that of the set-up view with the time it was made."""
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1200)
    changed = {"by": "B. Low", "changes": ["echo.gate[0].start (A): 1 us -> 2 us"]}
    before = UTC - 60_000_000_000
    marks = [
        Mark(START + 1 * MS, MarkKind.GATES_CHANGED, changed | {"made": before, "id": "a"}),
        Mark(START + 1 * MS, MarkKind.SENSITIVITY, DETAIL | {"made": before, "id": "b"}),
        Mark(START + 900 * MS, MarkKind.SENSITIVITY, DETAIL | {"measured": 80.0, "step": None}),
    ]
    entries = sorted([*motion.entries(), *marks], key=lambda entry: entry.time)
    record = record_of(run(station_text(), entries))
    first, second = record.sensitivity
    assert (first.deviation, first.passed, first.before_run) == (-2.07, False, True)
    assert (second.deviation, second.passed, second.before_run) == (0.0, True, False)
    assert (second.time - first.time).total_seconds() == 60.9
    lines = survey_lines(record)
    found = [line for line in lines if line.startswith(("gates changed", "sensitivity"))]
    assert len(found) == 3
    assert found[0].endswith("UTC by B. Low: echo.gate[0].start (A): 1 us -> 2 us")
    assert found[1].endswith(
        "UTC by A. Kern, in the set-up before the run: FAILED, -2.07 dB from 80 % (echo 63.0 % on "
        "B-7 12.7 mm, 20 readings within 0.40 dB), tolerance 2 dB"
    )
    assert "by A. Kern: passed, +0.00 dB from 80 % (echo 80.0 % on B-7, 20 readings" in found[2]
    assert "on B-7 0.500 in" in sensitivity_text(first, INCHES)
    assert setup_lines(record) == found
