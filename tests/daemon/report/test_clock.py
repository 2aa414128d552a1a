"""A report states what the times of a survey rest on where the clock was not set, or was set."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.handmade import MS
from daemon.surveys import RUNS, write_survey
from swathe.cli import main  # noqa: F401  registers the commands
from swathe.cli.app import app
from swathe.journal import Mark, MarkKind
from swathe.live.clock_watch import ClockWatch
from swathe.station import AlarmKind
from swathe.store import read_survey_record, replay, write_derived

S = 1_000_000_000
NOW = 1_795_759_200 * S  # 2026-11-27 06:00:00 UTC


def test_a_run_that_began_in_1970_has_its_right_times_in_record_and_report(tmp_path: Path) -> None:
    """From the journal: the offset that the clock had once it was set, and where that is from."""
    opening = RUNS[0][0]
    assert isinstance(opening, Mark)
    watch = ClockWatch(offset=12 * S - opening.time, began=12 * S)
    stepped = watch.stepped(NOW - opening.time)
    texts = {AlarmKind.CLOCK_NOT_SET: watch.not_set(), AlarmKind.CLOCK_STEPPED: stepped}
    marks = [
        Mark(
            opening.time + 50 * MS * (1 + number),
            MarkKind.HEALTH,
            {"about": str(kind), "of": "", "holds": True, "detail": text},
        )
        for number, (kind, text) in enumerate(texts.items())
    ]
    run = sorted([*RUNS[0][1:], *marks], key=lambda entry: entry.time)
    opening = opening._replace(detail={**opening.detail, "utc_ns": 12 * S})
    folder = write_survey(tmp_path / "survey", [[opening, *run]])
    write_derived(folder, replay(folder))
    found = {one.kind: one.detail for one in read_survey_record(folder.record).alarms}
    for kind, text in texts.items():
        assert found[kind] == text
    output = " ".join(CliRunner().invoke(app, ["report", str(folder.path)]).output.split())
    assert output.count("TIMES: clock") == 2
    assert "TIMES: clock stepped, noticed at 1970-01-01 00:00:1" in output
    assert "the run began at 2026-11-27 06:00:00 UTC, not at 1970-01-01 00:00:12 UTC" in output
    assert "add +1,795,759,188.0 s to every time of this run" in output


@pytest.mark.parametrize("runs", [RUNS[:1], RUNS])
def test_a_survey_by_a_clock_that_was_set_has_no_such_line(
    tmp_path: Path, runs: tuple[tuple[Mark, ...], ...]
) -> None:
    """Nothing speaks against its times."""
    folder = write_survey(tmp_path / "survey", runs)
    write_derived(folder, replay(folder))
    assert "TIMES" not in CliRunner().invoke(app, ["report", str(folder.path)]).output
