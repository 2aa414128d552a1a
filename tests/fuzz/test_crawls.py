"""A crawler in simulated time with faults; the long run is `python tests/fuzz/faults.py --crawls 200`."""

from __future__ import annotations

import pytest

from fuzz.faults import run_crawl, run_crawls
from support.simulated.crawl_world import CrawlPlan
from swathe.live.crawl.drive import Drive
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.watchdog import Watchdog
from swathe_drivers.motion import stop_process

# The first move lasts from 0.7 to 3.5 s.
_AT, _UNTIL, _STOP = 1_000, 3_000, 3_000


def test_daemon_that_is_killed_leaves_a_crawler_at_rest() -> None:
    """The process that stops it outlives the daemon."""
    run = run_crawl(CrawlPlan(5, "daemon killed", _AT, _UNTIL, _STOP))
    assert run.problems == []
    assert run.crawler.log.all("stop")


@pytest.mark.slow
@pytest.mark.parametrize("part", range(2))
def test_crawls_with_faults(part: int) -> None:
    """8 runs of some seconds; `tests/fuzz/faults.py --crawls 200` takes whole ones."""
    assert run_crawls(range(1 + 4 * part, 5 + 4 * part)).problems == []


# What each invariant is for is found.


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["daemon killed", "interpreter hangs"])
def test_stop_that_its_process_does_not_send_is_found(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody else can."""
    monkeypatch.setattr(
        stop_process._Guard, "_write_stop", lambda guard: setattr(guard, "_stops", 20)
    )
    problems = run_crawl(CrawlPlan(5, kind, _AT, _UNTIL, _STOP)).problems
    assert any(f"after the fault ({kind})" in text for text in problems)


@pytest.mark.slow
def test_stop_that_the_watching_thread_does_not_send_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nor the process, which is later anyway."""
    monkeypatch.setattr(
        stop_process._Guard, "_write_stop", lambda guard: setattr(guard, "_stops", 20)
    )
    monkeypatch.setattr(Watchdog, "look", lambda _: None)
    problems = run_crawl(CrawlPlan(5, "loop hangs", _AT, _UNTIL, _STOP)).problems
    assert any("after the fault (loop hangs)" in text for text in problems)


@pytest.mark.slow
def test_guard_that_does_not_look_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The encoder is gone, the crawler moves on."""
    monkeypatch.setattr(Guards, "look", lambda *_, **__: None)
    problems = run_crawl(CrawlPlan(5, "encoder unplugged", _AT, _UNTIL, _STOP)).problems
    assert any("after the fault (encoder unplugged)" in text for text in problems)


@pytest.mark.slow
def test_run_that_ends_without_a_stop_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody has asked for the end of the run."""
    monkeypatch.setattr(Drive, "stop_now", lambda _: None)
    problems = run_crawl(CrawlPlan(5, "", stop=_AT)).problems
    assert any("after the stop" in text for text in problems)
