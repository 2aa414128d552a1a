"""In which order a crawler begins: homing, first move, raster; and when its first move is made again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from support.crawl import crawl_station
from swathe.cli.arming import plan_lines, planned
from swathe.live import Daemon
from swathe.live.crawl import Crawl, work
from swathe.live.crawl.drive import HaltedError
from swathe.live.crawl.evidence import GuardFault
from swathe.live.session import Session
from swathe.motion import Event, State
from swathe.station import parse_station
from swathe.store import SurveyFolder


class Order:
    """A crawler without ports whose steps are noted, and raise what is given.

    Attributes:
        steps: in their order.
        halts: events by which a step is halted, each once.
    """

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        text = crawl_station(folder)
        survey = SurveyFolder(folder / "survey")
        daemon = Daemon(parse_station(text, "x"), text, survey, armed=True)
        assert daemon.crawl is not None
        self.crawl: Crawl = daemon.crawl
        self.steps: list[str] = []
        self.halts: dict[str, Event] = {}
        self.crawl.machine.take(Event.ARMED)
        for owner, name in (
            (self.crawl._homing, "find"),
            (self.crawl._first, "make"),
            (self.crawl.checking, "after_line"),
            (self.crawl.raster, "scan"),
            (self.crawl._back, "to_gaps"),
            (self.crawl._back, "to_places"),
        ):
            monkeypatch.setattr(owner, name, self._step(name))
        monkeypatch.setattr(self.crawl._homing, "pause", self.steps.append)
        monkeypatch.setattr(self.crawl._homing, "resume", lambda: self.steps.append("resume"))
        monkeypatch.setattr(self.crawl._recovery, "after", self._after)
        monkeypatch.setattr(Session, "pipeline", property(lambda _: None))
        monkeypatch.setattr(work, "outcome_text", lambda _, text: text)

    def _step(self, name: str) -> Callable[..., Any]:
        async def step(*_: object) -> str:
            self.steps.append(name)
            if name == "find":
                self.crawl._homing.done = True
            if (event := self.halts.pop(name, None)) is not None:
                self.crawl.machine.take(event, "x")
                raise HaltedError
            if name == "make":
                self.crawl._first.done = True
            return "covered"

        return step

    async def _after(self, *_: object, **__: object) -> None:
        """Let the crawler continue at once."""
        machine = self.crawl.machine
        for event in (Event.AT_REST, Event.CLEARED, Event.ARMED):
            machine.take(event)
        assert machine.state is State.ARMED


START = ["find", "first move", "make", "resume", "after_line"]
REST = ["scan", "to_gaps", "to_places"]


def test_nothing_counts_and_nothing_is_scanned_before_the_first_move(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Homing leaves the readings paused; they count once the first move was compared."""
    order = Order(tmp_path, monkeypatch)
    asyncio.run(order.crawl._cover())
    assert order.steps == START + REST


@pytest.mark.parametrize(
    ("event", "again"),
    [
        (Event.PORT_LOST, START),
        (Event.ALARM, START),
        # Its acknowledgement was lost: it is where it was, and what it was.
        (Event.UNANSWERED, ["resume", "after_line"]),
    ],
)
def test_first_move_is_made_again_after_a_fault_that_may_have_changed_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: Event, again: list[str]
) -> None:
    """A controller that was away may have lost its units."""
    order = Order(tmp_path, monkeypatch)
    order.halts = {"scan": event}
    asyncio.run(order.crawl.run())
    assert order.steps == [*START, "scan", *again, *REST]


def test_first_move_that_is_halted_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing was compared by it, also where only its command had no answer."""
    order = Order(tmp_path, monkeypatch)
    order.halts = {"make": Event.UNANSWERED}
    asyncio.run(order.crawl.run())
    assert order.steps == [*START[:3], "first move", "make", "resume", "after_line", *REST]


@pytest.mark.parametrize("moves", [False, True])
def test_bounds_of_the_first_move_stop_the_crawler_in_a_round(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves: bool
) -> None:
    """They are looked at in each round of the loop while it may move, and not otherwise."""
    order = Order(tmp_path, monkeypatch)
    crawl = order.crawl
    fault = GuardFault(Event.DISAGREEMENT, "the encoder of scan moved by 12.0 mm")
    monkeypatch.setattr(crawl._guards, "look", lambda *_, **__: None)
    monkeypatch.setattr(crawl._first, "look", lambda: fault)
    if not moves:
        crawl.machine.take(Event.END)
    crawl.watch(1)
    assert (crawl.machine.state is State.FAILING) is moves
    assert crawl.machine.text == (fault[1] if moves else "")


def test_plan_states_the_first_move_or_cautions_that_there_is_none() -> None:
    """Before anything moves, whoever arms it reads that."""
    moves = "first move: 10 mm on each axis and back, slow, compared with the encoders"
    caution = "caution: no first move: a wrong unit, sign, scale or axis shows only in full motion"
    for guard, cautioned in (("", False), ('first_move = "0 mm"', True)):
        station = parse_station(crawl_station(Path("p"), guard=guard), "x")
        lines = plan_lines(station, *planned(station))
        assert any(line.startswith(caution) for line in lines) is cautioned
        assert any(line.startswith(f"{moves}: about 8 s more") for line in lines) is not cautioned


@pytest.mark.parametrize(
    ("event", "lost", "detail"),
    [
        (Event.DISAGREEMENT, "it has restarted", "it has restarted"),
        (Event.UNANSWERED, "it has restarted", "it has restarted"),
        (Event.DISAGREEMENT, "", "in inches"),
        (Event.PORT_LOST, "it has restarted", "in inches"),
    ],
)
def test_position_that_is_lost_is_named_at_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: Event, lost: str, detail: str
) -> None:
    """In place of what was found before, where a disagreement or a target not reached halted it."""
    crawl = Order(tmp_path, monkeypatch).crawl
    monkeypatch.setattr(crawl._homing, "lost_text", lambda _: lost)
    crawl.machine.take(event, "x")
    crawl._recovery.detail = "in inches"
    crawl._at_rest()
    assert crawl._recovery.detail == detail


def test_what_is_planned_next_has_the_dead_probes_of_the_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Raster and return are planned without them, and still keep them clear of zones."""
    crawl = Order(tmp_path, monkeypatch).crawl
    survey = SimpleNamespace(requests=SimpleNamespace(zones=()), dead_probes=frozenset({0}))
    monkeypatch.setattr(crawl, "_session", SimpleNamespace(pipeline=survey))
    assert crawl._area().carriage.dead == {0}
