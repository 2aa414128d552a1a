"""When an estimate of the delay is journalled, and when the survey is placed again."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.handmade import MS, START, station_text
from daemon.surveys import SELDOM
from swathe.journal import Mark, MarkKind, Tick, read_journal
from swathe.live import auto_delay
from swathe.live.auto_delay import AutoDelay, is_news
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.replacement import Replacement
from swathe.live.session import Session
from swathe.pipeline import DelayEstimate, EstimatedDelay, Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder

PORT = 'port = "ports/gauge"'
UNSURE = DelayEstimate.unknown(1, "one pair of lines", "more lines")


def sure(delay: float, half: float = 1.0) -> DelayEstimate:
    """Return a sure estimate, ms in addition to the delay in force."""
    low, high = (delay - half) * MS, (delay + half) * MS
    return DelayEstimate(delay * MS, half * MS / 2, low, high, 8, sure=True, reason="", needs="")


class Played:
    """An automatic delay whose estimates a test gives."""

    def __init__(self, path: Path, delay: str, monkeypatch: pytest.MonkeyPatch) -> None:
        key = "" if delay == "unknown" else f'\ndelay = "{delay}"'
        text = station_text(scan_length=25).replace(PORT, f"{PORT}{key}")
        text = text.replace('port = "ports/encoder"', 'port = "ports/encoder"\ndelay = "0 ms"')
        station = parse_station(text, "bench.toml")
        self.folder = SurveyFolder(path)
        self.estimator = DelayEstimator(station)
        self.session = Session(
            self.folder, station, text, clock=lambda: START, observer=self.estimator.watch
        )
        self.estimates: list[DelayEstimate] = []
        self.estimated = 0
        self.replaced: list[Pipeline] = []
        self.prepared: list[Pipeline] = []
        self.auto = AutoDelay(
            station,
            self.session,
            self.estimator,
            Replacement(
                self.session,
                self.estimator,
                prepare=self.prepared.append,
                on_placed=lambda before, _how: self.replaced.append(before),
            ),
        )
        monkeypatch.setattr(self.estimator, "estimate", self._estimate)

    async def _estimate(self) -> DelayEstimate:
        self.estimated += 1
        return self.estimates.pop(0) if len(self.estimates) > 1 else self.estimates[0]

    async def step(self, *estimates: DelayEstimate) -> None:
        """Estimate once for each."""
        for estimate in estimates:
            self.estimates = [estimate]
            await self.auto._step()

    def marks(self) -> list[tuple[str, int, int | None, int | None]]:
        """Return the marks of delays in the journal: kind, delay and interval in ms."""
        self.session.flush(sync=False)
        return [
            (
                "measured" if mark.kind is MarkKind.DELAY else "estimated",
                mark.detail["delay_ns"] // MS,
                None if mark.detail["low_ns"] is None else mark.detail["low_ns"] // MS,
                None if mark.detail["high_ns"] is None else mark.detail["high_ns"] // MS,
            )
            for mark in read_journal(self.folder.journal)
            if isinstance(mark, Mark) and mark.kind in (MarkKind.DELAY, MarkKind.DELAY_ESTIMATED)
        ]


@pytest.fixture(params=["auto"])
def played(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> Iterator[Played]:
    """Return an automatic delay of a run with readings."""
    monkeypatch.setattr(auto_delay, "_MARK_SECONDS", 0.0)
    made = Played(tmp_path / "survey", request.param, monkeypatch)
    with made.session:
        made.session.resume()
        for entry in SELDOM.entries():
            made.session.enter(entry)
        made.session.enter(Tick(START + 3000 * MS))
        yield made


async def test_sure_estimate_is_applied_from_the_first_reading_on(played: Played) -> None:
    """With its mark in the journal; the estimates after it are relative to it."""
    await played.step(UNSURE, sure(50))
    assert played.marks() == [("estimated", 0, None, None), ("measured", 50, 49, 51)]
    assert played.session.pipeline.delays["gauge"] == 50 * MS
    assert len(played.replaced) == 1
    assert played.prepared == [played.session.pipeline]
    assert played.estimator.watch is played.session.observer
    await played.step(sure(-30))
    assert played.marks()[-1] == ("measured", 20, 19, 21)
    assert played.session.pipeline.delays["gauge"] == 20 * MS


@pytest.mark.parametrize(
    ("later", "placed_again"),
    [
        (sure(40, half=39), True),  # 10 mm/s: 40 ms are 0.4 mm of cells of 1 mm
        (sure(-40, half=39), True),
        (sure(40, half=41), False),  # the delay in force is within the interval
        (sure(20, half=1), False),  # it moves readings by a fifth of a cell
        (replace(sure(40), sure=False), False),
    ],
)
async def test_later_estimate_is_applied_where_it_matters(
    played: Played, later: DelayEstimate, placed_again: bool
) -> None:
    """It excludes the delay in force, and moves readings by more than a quarter of a cell."""
    await played.step(sure(5))
    assert played.session.pipeline.usual_speed == pytest.approx(9.7, abs=0.5)
    await played.step(later)
    assert len(played.replaced) == 1 + placed_again
    assert (played.marks()[-1][0] == "measured") is placed_again


@pytest.mark.parametrize("played", ["unknown", "7 ms"], indirect=True)
async def test_delay_that_is_not_automatic_is_never_applied(played: Played) -> None:
    """An unknown one is journalled as an estimate, a given one not at all."""
    await played.step(UNSURE, sure(50))
    given = played.session.pipeline.delays["gauge"]
    assert played.replaced == []
    assert played.marks() == (
        [] if given else [("estimated", 0, None, None), ("estimated", 50, 49, 51)]
    )


async def test_estimates_are_journalled_at_intervals_and_where_they_changed(
    played: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night of equal estimates leaves one mark."""
    await played.step(UNSURE, UNSURE, replace(sure(9, half=30), sure=False))
    assert [mark[1:] for mark in played.marks()] == [(0, None, None), (9, -21, 39)]
    monkeypatch.setattr(auto_delay, "_MARK_SECONDS", 100.0)
    await played.step(UNSURE, replace(sure(9, half=30), sure=False))
    assert len(played.marks()) == 3


@pytest.mark.parametrize(
    ("low", "high", "news"),
    [
        (0, 100, False),
        (10, 110, False),
        (25, 125, True),
        (0, 130, True),
        (0, 80, True),
        (None, 100, True),
        (0, None, True),
    ],
)
def test_news_is_what_moved_by_a_fifth(low: int | None, high: int | None, news: bool) -> None:
    """Or an end of the interval that came or went; the first estimate is news."""
    before = EstimatedDelay(50, 0, 100, 4)
    now = EstimatedDelay(50, low, high, 5)
    assert is_news(now, before) is news
    assert is_news(now, None)


async def test_what_an_estimate_imports_is_imported_as_the_scan_begins(
    played: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not by the first estimate that has pairs of passes, which may be hours later, the crawler in motion."""
    steps: list[str] = []
    monkeypatch.setattr(auto_delay, "import_module", steps.append)
    monkeypatch.setattr(auto_delay, "_FIRST_INTERVAL_SECONDS", 0.0)
    played.estimates = [UNSURE]
    monkeypatch.setattr(played.estimator, "estimate", lambda: steps.append("estimate"))
    played.auto.begin()
    async with asyncio.timeout(10):
        while not played.auto._failed:  # noqa: ASYNC110  the second step ends the task
            await asyncio.sleep(0.01)
    assert steps == ["swathe.pipeline.placing.delay_fit", "estimate"]
    await played.auto.close()


async def test_covered_plan_is_estimated_once_more_before_the_run_ends(played: Played) -> None:
    """What seemed covered may not be, once it is placed again."""
    played.estimates = [sure(50)]
    played.auto.begin()
    assert not played.auto.may_end(covered=False)
    assert not played.auto.may_end(covered=True)
    async with asyncio.timeout(10):
        while not played.auto.may_end(covered=True):  # noqa: ASYNC110  as each tick asks
            await asyncio.sleep(0.01)
    assert len(played.replaced) == 1
    assert not played.auto.may_end(covered=False)
    assert not played.auto.may_end(covered=True)  # covered again, and estimated again
    await played.auto.close()


async def test_estimate_under_way_when_the_plan_was_covered_is_not_the_last(
    played: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It does not know the last readings."""
    monkeypatch.setattr(auto_delay, "_FIRST_INTERVAL_SECONDS", 0.0)
    begun, go = asyncio.Event(), asyncio.Event()

    async def slowly() -> DelayEstimate:
        played.estimated += 1
        begun.set()
        await go.wait()
        go.clear()
        return UNSURE

    monkeypatch.setattr(played.estimator, "estimate", slowly)
    played.auto.begin()
    await begun.wait()
    begun.clear()
    assert not played.auto.may_end(covered=True)
    go.set()
    await begun.wait()
    assert not played.auto.may_end(covered=True)
    assert played.estimated == 2
    go.set()
    async with asyncio.timeout(10):
        while not played.auto.may_end(covered=True):  # noqa: ASYNC110  as each tick asks
            await asyncio.sleep(0.01)
    go.set()
    await played.auto.close()


async def test_end_of_a_run_places_by_all_readings(played: Played) -> None:
    """A last estimate, when the ports are closed already."""
    played.estimates = [sure(50)]
    played.auto.begin()
    await played.auto.finish()
    assert played.session.pipeline.delays["gauge"] == 50 * MS
    assert played.estimated == 1
    await played.auto.close()


async def test_estimate_that_fails_ends_estimating_and_no_run(
    played: Played, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The readings are worth more than their estimate; the log has it."""

    async def fail() -> DelayEstimate:
        message = "singular matrix"
        raise ArithmeticError(message)

    monkeypatch.setattr(played.estimator, "estimate", fail)
    played.auto.begin()
    assert not played.auto.may_end(covered=True)
    async with asyncio.timeout(10):
        while not played.auto.may_end(covered=True):  # noqa: ASYNC110  as each tick asks
            await asyncio.sleep(0.01)
    await played.auto.finish()
    assert "singular matrix" in caplog.text


def test_estimate_is_journalled_with_the_delay_in_force_added() -> None:
    """So that it means the same whatever a later replay applies."""
    estimate = replace(sure(5), low=-math.inf)
    found = EstimatedDelay.of(estimate, 40 * MS)
    assert (found.delay, found.low, found.high) == (45 * MS, None, 46 * MS)
    assert EstimatedDelay.of_mark(found.as_detail("gauge")) == found
