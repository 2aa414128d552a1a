"""The state of a run, as a table: what is known of it, and what every output shows."""

from __future__ import annotations

from typing import get_args

import pytest

from swathe.live.run_state import (
    CrawlerFacts,
    DecidedState,
    RunFacts,
    WaitsFor,
    decide_state,
)
from swathe.messages import RunState

GO = "press g"
WHY = "stopped: motor and encoder disagree: 4.1 mm apart"


def crawler(**facts: object) -> CrawlerFacts:
    """Return facts of a crawler that waits or has failed, unless stated otherwise."""
    return CrawlerFacts(**{"doing": "raster", "why": WHY, "todo": GO, **facts})  # type: ignore[arg-type]


RESUME = "resume: the space key at the station, Resume on the page, or the command 'resume'"
PLACE = (
    "rest the probe on a known place and give it: i at the station, I am at on the page, or the "
    "command 'reference'"
)
TABLE = {
    "by hand": (RunFacts(), DecidedState("scanning")),
    "a crawler at work": (
        RunFacts(doing="raster", crawler=crawler(why="", todo="")),
        DecidedState("scanning", "raster"),
    ),
    "a person's pause": (
        RunFacts(doing="raster", paused_by="Kim", because="somebody walks through"),
        DecidedState("paused", "somebody walks through (Kim)", "Kim", RESUME),
    ),
    "a pause without a reason": (
        RunFacts(paused_by="Kim"),
        DecidedState("paused", "by Kim", "Kim", RESUME),
    ),
    "the crawler's own pause": (
        RunFacts(paused_by="crawler", because="homing", crawler=crawler(why="", todo="")),
        DecidedState("paused", "homing (crawler)", "crawler"),
    ),
    "a check by hand": (
        RunFacts(paused_by="Kim", because="calibration check, step 5 mm", check="finish it"),
        DecidedState("paused", "calibration check, step 5 mm (Kim)", "Kim", "finish it"),
    ),
    "a fault that a person has to see to": (
        RunFacts(crawler=crawler(faulted=True, waits_for=WaitsFor.PERSON)),
        DecidedState("waiting", WHY, todo=GO),
    ),
    "a fault while the crawler has paused": (
        RunFacts(
            paused_by="crawler",
            because="homing",
            crawler=crawler(faulted=True, waits_for=WaitsFor.PERSON),
        ),
        DecidedState("waiting", WHY, todo=GO),
    ),
    "a fault, and a person's pause after it": (
        RunFacts(paused_by="Kim", crawler=crawler(faulted=True, waits_for=WaitsFor.PERSON)),
        DecidedState("waiting", WHY, todo=GO),
    ),
    "a person's pause that stopped the crawler": (
        RunFacts(paused_by="Kim", crawler=crawler(waits_for=WaitsFor.PERSON)),
        DecidedState("paused", "by Kim", "Kim", GO),
    ),
    "a person's pause that is over, the crawler at rest": (
        RunFacts(
            crawler=crawler(why="stopped: stop asked: paused by Kim", waits_for=WaitsFor.PERSON)
        ),
        DecidedState("waiting", "stopped: stop asked: paused by Kim", todo=GO),
    ),
    "a check that failed on the crawler's reference step": (
        RunFacts(paused_by="crawler", crawler=crawler(waits_for=WaitsFor.PERSON)),
        DecidedState("waiting", WHY, todo=GO),
    ),
    "no sign of life yet": (
        RunFacts(crawler=crawler(why="", doing="waiting", waits_for=WaitsFor.DEAD_MAN)),
        DecidedState("waiting", "waiting", todo=GO),
    ),
    "a fault that is not at rest yet": (
        RunFacts(crawler=crawler(faulted=True)),
        DecidedState("faulted", WHY),
    ),
    "a position lost by hand": (
        RunFacts(lost=("scan",)),
        DecidedState("waiting", "scan position is lost: readings count for no cell", todo=PLACE),
    ),
    "a position lost by hand during a pause": (
        RunFacts(lost=("scan", "index"), paused_by="Kim"),
        DecidedState("paused", "by Kim", "Kim", RESUME),
    ),
    "a position lost by a crawler, which finds it again": (
        RunFacts(doing="homing", lost=("scan",), crawler=crawler(why="", todo="")),
        DecidedState("scanning", "homing"),
    ),
    "a fault that ends by itself": (
        RunFacts(crawler=crawler(faulted=True, waits_for=WaitsFor.DISK)),
        DecidedState("faulted", f"{WHY}; waiting for the disk"),
    ),
}


@pytest.mark.parametrize("name", TABLE)
def test_state_follows_from_facts(name: str) -> None:
    """Each case has one state, with who, why and what to do."""
    facts, decided = TABLE[name]
    assert decide_state(facts) == decided


def test_states_are_those_of_the_message() -> None:
    """The decision knows no word that the message lacks, and the table has each of its words."""
    found = {decided.state for _, decided in TABLE.values()}
    assert found == set(get_args(RunState)) - {"resuming", "complete", "incomplete", "offline"}
