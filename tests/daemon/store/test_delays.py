"""A delay that the survey has measured itself applies to all its runs, from their begin on."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from daemon.handmade import MS, START, UTC, ended, opened
from daemon.surveys import BACK, FORWARD, TEXT, write_survey
from swathe.api.amending import amendment
from swathe.journal import Entry, Mark, MarkKind
from swathe.pipeline import MeasuredDelay, Pipeline, Placed, ProbePath
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.store import SurveyFolder, measured_delays, replay

GAUGE = 'port = "ports/gauge"'
AUTO = TEXT.replace(GAUGE, f'{GAUGE}\ndelay = "auto"')
LATER = 60_000 * MS


def given(delay: str) -> str:
    """Return the station file with a delay."""
    return TEXT.replace(GAUGE, f'{GAUGE}\ndelay = "{delay}"')


def measured(ms: int, delay: int, device: str = "gauge") -> Mark:
    """Return the mark of a delay in ms, measured so many ms after the start."""
    detail = MeasuredDelay(delay * MS, (delay - 1) * MS, (delay + 1) * MS, 4).as_detail(device)
    return Mark(START + ms * MS, MarkKind.DELAY, detail)


def a_run(text: str, *marks: Mark, back: bool = False) -> list[Entry]:
    """Return a run; one that goes back is a minute later."""
    motion = BACK if back else FORWARD
    entries: list[Entry] = sorted([*motion.entries(), *marks], key=lambda entry: entry.time)
    run: list[Entry] = [opened(text), *entries, ended(START + 2000 * MS)]
    if not back:
        return run
    later: list[Entry] = [entry._replace(time=entry.time + LATER) for entry in run]
    later[0] = opened(text, time=START + LATER, utc=UTC + LATER)
    return later


def cells(pipeline: Pipeline) -> tuple[bytes, bytes]:
    """Return thickness and states."""
    return pipeline.grid.thickness.tobytes(), pipeline.grid.state.tobytes()


def survey(path: Path, *runs: Iterable[Entry]) -> SurveyFolder:
    """Write a survey."""
    return write_survey(path, runs)


def test_run_is_placed_with_the_delay_that_it_measured(tmp_path: Path) -> None:
    """As if the station file had given it from the begin on; without the mark it is zero."""
    found = replay(survey(tmp_path / "auto", a_run(AUTO, measured(700, 70))))
    assert cells(found) == cells(replay(survey(tmp_path / "given", a_run(given("70 ms")))))
    assert found.delays == {"encoder": 0, "gauge": 70 * MS}
    without = replay(survey(tmp_path / "without", a_run(AUTO)))
    assert without.delays["gauge"] == 0
    assert cells(without) == cells(replay(survey(tmp_path / "none", a_run(given("0 ms")))))
    assert cells(without) != cells(found)


def test_newest_delay_applies_to_all_runs_that_ask_for_it(tmp_path: Path) -> None:
    """Also to earlier ones; a run whose file gives a delay keeps its own."""
    marks = measured(300, 30), measured(900, 70)
    auto = replay(survey(tmp_path / "a", a_run(AUTO), a_run(AUTO, *marks, back=True)))
    both = given("70 ms")
    assert cells(auto) == cells(replay(survey(tmp_path / "b", a_run(both), a_run(both, back=True))))
    mixed = replay(survey(tmp_path / "c", a_run(given("5 ms")), a_run(AUTO, *marks, back=True)))
    same = replay(survey(tmp_path / "d", a_run(given("5 ms")), a_run(both, back=True)))
    assert cells(mixed) == cells(same)
    assert cells(mixed) != cells(auto)


def test_delay_may_be_negative(tmp_path: Path) -> None:
    """Where the encoder comes late."""
    found = replay(survey(tmp_path / "auto", a_run(AUTO, measured(700, -40))))
    assert found.delays["gauge"] == -40 * MS
    late = TEXT.replace('port = "ports/encoder"', 'port = "ports/encoder"\ndelay = "40 ms"')
    other = replay(survey(tmp_path / "given", a_run(late)))
    assert found.grid.thickness[30:140].tobytes() == other.grid.thickness[30:140].tobytes()
    assert np.isfinite(found.grid.thickness[3:7]).all()


def test_replay_until_a_time_does_not_know_later_marks(tmp_path: Path) -> None:
    """It is what was known then."""
    marks = measured(300, 30), measured(900, 70)
    folder = survey(tmp_path / "auto", a_run(AUTO, *marks))
    for ms, delay in ((299, 0), (300, 30), (899, 30), (900, 70)):
        until = UTC + ms * MS
        assert replay(folder, until=until).delays["gauge"] == delay * MS
        assert {name: one.delay for name, one in measured_delays(folder, until=until).items()} == (
            {"gauge": delay * MS} if delay else {}
        )


def test_delay_that_is_asked_for_has_priority(tmp_path: Path) -> None:
    """`rebuild --delay` applies its own; to that of the encoder the measured difference is added."""
    folder = survey(tmp_path / "auto", a_run(AUTO, measured(700, 70)))
    station = folder.first_station()
    for delays, gauge in (({"gauge": "9 ms"}, 9), ({"encoder": "9 ms"}, 79)):
        amend = amendment(station, delays=delays, calibration=None)
        found = replay(folder, amend=amend)
        assert found.delays == {"encoder": 0, "gauge": gauge * MS} | dict.fromkeys(delays, 9 * MS)


def test_journal_without_an_automatic_delay_is_not_searched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It costs nothing where nothing is asked for."""
    folder = survey(tmp_path / "given", a_run(given("5 ms"), measured(700, 70)))
    monkeypatch.setattr("swathe.store.delays.read_marks", None)
    assert measured_delays(folder) == {}
    assert replay(folder).delays["gauge"] == 5 * MS


def test_measured_delay_counts_from_the_encoders_own(tmp_path: Path) -> None:
    """The difference is what was measured."""
    text = AUTO.replace('port = "ports/encoder"', 'port = "ports/encoder"\ndelay = "4 ms"')
    found = replay(survey(tmp_path / "auto", a_run(text, measured(700, 70))))
    assert found.delays == {"encoder": 4 * MS, "gauge": 74 * MS}
    assert found.delay_difference("gauge") == 70 * MS
    applied = found.delay_snapshots()["gauge"]
    assert (applied.applied_ms, applied.low_ms, applied.high_ms) == (74.0, 73.0, 75.0)


@pytest.mark.parametrize(
    ("first", "second", "forgotten"),
    [("5 ms", "5 ms", False), ("5 ms", "6 ms", True), ("5 ms", "auto", True)],
)
def test_estimate_takes_no_readings_of_another_delay(
    tmp_path: Path, first: str, second: str, forgotten: bool
) -> None:
    """Readings that were placed with two delays show neither."""
    observer = Watching()
    folder = survey(tmp_path / "s", a_run(given(first)), a_run(given(second), back=True))
    replay(folder, observer=observer)
    assert observer.changes == forgotten
    station = folder.first_station()
    real = DelayObserver(scan=station.scan_axis, index=station.index_axis)
    replay(folder, observer=real)
    times = real._readings.columns()[0]
    assert (times.min() >= START + LATER) is np.bool_(forgotten)


class Watching:
    """Counts how often the delay changed."""

    changes = 0

    def placed(self, placed: Placed) -> None:
        """Take no notice."""

    def moved_along(self, path: ProbePath) -> None:
        """Take no notice."""

    def delay_changed(self) -> None:
        """Count."""
        self.changes += 1
