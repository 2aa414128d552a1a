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
    [
        (State.FAULTED, f"{WHY}; waiting", True),
        (State.DISARMED, "continuing", False),
        (State.ENDED, "ended", False),
    ],
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


@pytest.mark.parametrize("state", State)
def test_motion_may_be_on_until_the_machine_is_known_to_be_at_rest(state: State) -> None:
    """Also after a stop is sent: a station that is lost then does not leave a crawler 'at rest'."""
    machine = SimpleNamespace(state=state, cause=Event.STOP_ASKED, text="")
    drive = SimpleNamespace(
        machine=machine,
        evidence=None,
        report=None,
        target={"scan": 9.0},
        state_since=0,
        caused_at=0,
    )
    view = CrawlerView(
        cast("Any", SimpleNamespace(pipeline=SimpleNamespace(position=(1.0, 2.0), utc_offset=0))),
        drive=cast("Any", drive),
        recovery=cast("Any", SimpleNamespace(why="", waits_for=WaitsFor.NOTHING)),
        resuming=cast("Any", SimpleNamespace(todo="", places=("station",))),
        doing=lambda: "",
        raster=lambda: None,
        index_encoded=True,
    )
    heading = {"station": "belt", "survey": "s-1", "time": "2030-01-01T10:00:00Z"}
    message = view.message(cast("Any", heading))
    assert message.moving == (state in {State.HOMING, State.MOVING, State.STOPPING, State.FAILING})
    # It is driven nowhere any more.
    assert (message.target_scan == 9.0) == (state in {State.HOMING, State.MOVING})
