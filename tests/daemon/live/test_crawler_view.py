"""What a run shows of its crawler."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from swathe.live.crawl.shown import CrawlerView
from swathe.live.run_state import WaitsFor
from swathe.motion import Event, State

WHY = "stopped: motor and encoder disagree: 5.0 mm apart"


@pytest.mark.parametrize(
    ("state", "doing", "faulted"),
    [(State.FAULTED, f"{WHY}; waiting", True), (State.DISARMED, "continuing", False)],
)
def test_crawler_that_continues_does_not_state_why_it_was_stopped(
    state: State, doing: str, faulted: bool
) -> None:
    """Its last words are of the stop until it says what it does next."""
    machine = SimpleNamespace(state=state, cause=Event.DISAGREEMENT, text="5.0 mm apart")
    recovery = SimpleNamespace(why=WHY, waits_for=WaitsFor.NOTHING)
    view = CrawlerView(
        cast("Any", None),
        drive=cast("Any", SimpleNamespace(machine=machine)),
        recovery=cast("Any", recovery),
        resuming=cast("Any", SimpleNamespace(todo="")),
        doing=lambda: f"{WHY}; waiting",
        raster=lambda: None,
        index_encoded=True,
    )
    assert (view.facts.doing, view.facts.faulted) == (doing, faulted)
