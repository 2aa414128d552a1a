"""The set-up log: what is appended, and what the next run journals of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.handmade import UTC, opened, station_text
from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind
from swathe.live.setup_log import SetupLog, journal_setup
from swathe.pipeline import Pipeline
from swathe.station import parse_station

DETAIL = {
    "measured": 71.0,
    "reference": 80.0,
    "tolerance": 2.0,
    "spread": 0.4,
    "readings": 20,
    "block": "B-7",
    "step": 10.0,
}
HOUR = 3_600 * 10**9


class PlayedSession:
    """A session that is resumed."""

    def __init__(self, now: int) -> None:
        self.utc_now = now
        text = station_text()
        self.pipeline = Pipeline(parse_station(text, "station"))
        self.opening = opened(text)
        self.pipeline.feed(self.opening)
        self.marks: list[tuple[MarkKind, dict[str, object]]] = []

    def mark(self, kind: MarkKind, **detail: object) -> None:
        """Journal a mark."""
        self.marks.append((kind, detail))
        self.pipeline.feed(
            Mark(self.opening.time + len(self.marks), kind, json.loads(json.dumps(detail)))
        )


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SetupLog:
    """Return a log with a check and changed gates, an hour apart."""
    log = SetupLog(tmp_path / "a.toml")
    monkeypatch.setattr("swathe.live.setup_log.time.time_ns", lambda: UTC)
    log.add("sensitivity", by="A. Kern", **DETAIL)
    monkeypatch.setattr("swathe.live.setup_log.time.time_ns", lambda: UTC + HOUR)
    log.add("gates", by="B. Low", changes=["echo.gate[0].start (A): 1 us -> 2 us"], backup="a.bak")
    return log


def journalled(log: SetupLog, session: PlayedSession) -> int:
    """Journal what is new."""
    return journal_setup(session, log)  # type: ignore[arg-type]


def test_entries_become_marks_once(log: SetupLog) -> None:
    """A run journals name, time and values of each; the next run of the survey journals none again."""
    assert log.path.name == "a.toml.setup.jsonl"
    session = PlayedSession(UTC + 2 * HOUR)
    assert journalled(log, session) == 2
    (kind, detail), (other, gates) = session.marks
    assert (kind, other) == (MarkKind.SENSITIVITY, MarkKind.GATES_CHANGED)
    assert {key: detail[key] for key in DETAIL} == DETAIL
    assert (detail["by"], detail["made"]) == ("A. Kern", UTC)
    assert (gates["by"], gates["changes"]) == ("B. Low", ["echo.gate[0].start (A): 1 us -> 2 us"])
    setup = session.pipeline.setup
    assert [one.time for one in setup.checks] == [UTC]
    assert setup.checks[0].before_run
    assert [one.time for one in setup.gates] == [UTC + HOUR]
    assert journalled(log, session) == 0
    assert journalled(log, PlayedSession(UTC + 2 * HOUR)) == 2  # another survey


def test_what_is_older_than_a_day_or_of_the_future_is_left(log: SetupLog) -> None:
    """Yesterday's set-up says nothing about the instrument now; nor does a clock that was ahead."""
    session = PlayedSession(UTC + 24 * HOUR + HOUR // 2)
    assert journalled(log, session) == 1
    assert session.marks[0][0] is MarkKind.GATES_CHANGED
    assert journalled(log, PlayedSession(UTC + HOUR // 2)) == 1
    assert journalled(log, PlayedSession(UTC + 24 * HOUR)) == 2


def test_areas_have_their_own(log: SetupLog, tmp_path: Path) -> None:
    """What was set up for one area is not another's."""
    upper = SetupLog(tmp_path / "a.toml", area="upper")
    assert upper.entries() == []
    upper.add("gates", by="B", changes=["x"], backup="b")
    assert len(upper.entries()) == 1
    assert len(log.entries()) == 2


@pytest.mark.parametrize(
    "line",
    [
        "",
        "no JSON",
        '{"kind": "gates"}',
        '{"id":"0123456789ab","time":"","made":1,"by":"A","area":"","kind":"gates","changes":1,"backup":""}',
        '{"id":"0123456789ab","time":"","made":1,"by":"A","area":"","kind":"sensitivity","measured":-1,'
        '"reference":80,"tolerance":2,"spread":0,"readings":20,"block":"","step":null}',
        '{"id":"../../etc","time":"","made":1,"by":"A","area":"","kind":"gates","changes":[],"backup":""}',
        '{"id":"0123456789ab","time":"","made":1,"by":"A","area":"","kind":"gates","cha',
    ],
)
def test_lines_that_are_no_entries_are_left_out(log: SetupLog, line: str) -> None:
    """A torn or foreign line costs itself only: no mark is made of it, and the others count."""
    with log.path.open("a") as stream:
        stream.write(f"{line}\n\xff\n")
    log.add("sensitivity", by="C", **DETAIL)
    assert [entry.by for entry in log.entries()] == ["A. Kern", "B. Low", "C"]


def test_no_log(tmp_path: Path) -> None:
    """Without a set-up there is nothing to journal."""
    assert journalled(SetupLog(tmp_path / "a.toml"), PlayedSession(UTC)) == 0


def test_link_as_the_log_is_not_followed(tmp_path: Path) -> None:
    """A log that came with a stranger's folder and leads elsewhere is neither written nor read."""
    (tmp_path / "mine").write_text("mine")
    log = SetupLog(tmp_path / "a.toml")
    log.path.symlink_to(tmp_path / "mine")
    with pytest.raises(SwatheError, match="link"):
        log.add("sensitivity", by="A", **DETAIL)
    with pytest.raises(SwatheError, match="link"):
        log.entries()
    assert (tmp_path / "mine").read_text() == "mine"


def test_log_that_cannot_be_written(tmp_path: Path) -> None:
    """A check that cannot be recorded is not said to be."""
    log = SetupLog(tmp_path / "none" / "a.toml")
    with pytest.raises(SwatheError, match="cannot be written: No such file or directory"):
        log.add("sensitivity", by="A", **DETAIL)
