"""Calibration checks in a crawler's run: by itself on the part, by hand while it rests; nothing else moves."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from daemon.handmade import VELOCITY, line, station_text
from daemon.live.test_check_work import MINUTE, MS, VERIFICATION, Bench
from daemon.motion_model import with_probes
from daemon.pipeline.test_probes import text_of
from support.crawl import crawl_station
from swathe.journal import Chunk, MarkKind, PortChange, Tick
from swathe.live import Daemon
from swathe.live.crawl.budget import Budget
from swathe.live.crawl.checking import CrawlCheck
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.homing import Homing
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.recovery import Recovery
from swathe.motion import Action, CrawlStates, Event, Move, Point, State, work_area_of
from swathe.pipeline import CRAWLER
from swathe.station import StepPlace, parse_station
from swathe.store import SurveyFolder

PLACES = ((100.0, 40.0), (120.0, 40.0))
AREA = work_area_of(parse_station(crawl_station(Path("p")), "x"), [])


@dataclass
class Machine:
    """A machine that is wherever it was sent; in place of drive, homing and budget.

    Attributes:
        place: where it is.
        machine: its states.
        done: whether homing is.
        reached: each place to which it was sent.
        on_move: called before each move.
    """

    session: Any
    place: Point = (4.0, 8.0)
    machine: CrawlStates = field(default_factory=CrawlStates)
    done: bool = True
    reached: list[Point] = field(default_factory=list)
    on_move: Callable[[], None] = lambda: None

    def __post_init__(self) -> None:
        self.machine.take(Event.ARMED)

    async def fresh(self) -> MachineReport:
        """Return where it is."""
        return MachineReport(0, self.place, asked=0)

    def trouble(self, event: Event, text: str) -> Action:
        """Take an event."""
        return self.machine.take(event, text)

    def pause(self, because: str) -> None:
        """Pause as homing does."""
        if not self.session.pipeline.pauses.active:
            self.session.mark(MarkKind.PAUSED, by=CRAWLER, because=because)

    async def settled(self) -> None:
        """All that was read has come."""

    def afford(self, *_: Any) -> None:
        """Any move can be afforded."""

    async def go(self, move: Move, *, counts: bool) -> None:
        """Make a move, unless something stopped it."""
        assert not counts
        self.on_move()
        if self.machine.state is not State.ARMED:
            raise HaltedError(self.machine.text)
        self.place = move.end
        self.reached.append(move.end)


class CrawlBench(Bench):
    """A run of a crawler without ports."""

    def __init__(
        self,
        folder: Path,
        *,
        places: tuple[Point, ...] = PLACES,
        offset: tuple[float, float] | None = None,
        text: str = "",
    ) -> None:
        super().__init__(folder, (text or station_text()) + VERIFICATION)
        at = tuple(StepPlace.model_construct(scan=scan, index=index) for scan, index in places)
        assert self.station.verification is not None
        settings = self.station.verification.model_copy(update={"at": at})
        station = self.station.model_copy(update={"verification": settings})
        station = station if offset is None else with_probes(station, offset)
        self.machine = Machine(self.session)
        self.checking = CrawlCheck(
            station,
            self.session,
            drive=cast("Drive", self.machine),
            homing=cast("Homing", self.machine),
            budget=cast("Budget", self.machine),
            area=lambda: AREA,
            go=self.machine.go,
        )
        self.checking.work = self.work
        self.work.to_crawler = self.checking.request

    @asynccontextmanager
    async def gauge(self, wall: Callable[[Point], float | None]) -> AsyncIterator[None]:
        """Let the gauge read the wall where the machine is, over and over."""

        async def read() -> None:
            while True:
                self.send(None, wall(self.machine.place))
                await asyncio.sleep(0.0005)

        task = asyncio.create_task(read())
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

    def after_line(self, wall: Callable[[Point], float | None]) -> None:
        """End a line."""

        async def run() -> None:
            async with self.gauge(wall):
                await self.checking.after_line()

        asyncio.run(run())

    def kinds(self) -> list[MarkKind]:
        """Return the kinds of the marks after the first."""
        return [kind for kind, _ in self.marks()][1:]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[CrawlBench]:
    """Return a run with two reference steps on the part."""
    made = CrawlBench(tmp_path / "survey")
    with made.session:
        made.begin()
        made.scan(0, 8)
        yield made


@pytest.fixture
def by_hand(tmp_path: Path) -> Iterator[CrawlBench]:
    """Return a run without one."""
    made = CrawlBench(tmp_path / "survey", places=())
    with made.session:
        made.begin()
        made.scan(0, 8)
        yield made


def right(place: Point) -> float:
    """Return the wall of the reference steps as it is."""
    return 12.0 if place == PLACES[0] else 5.0


def test_crawler_reads_its_reference_steps_and_returns_to_where_it_was(bench: CrawlBench) -> None:
    """Nothing counts from before it leaves the line until it is back."""
    assert bench.say("check") == "the crawler finishes its line, and drives to its reference step"
    bench.after_line(right)
    (check,) = bench.session.pipeline.suspect_cells.checks.checks
    assert check.passed
    assert check.by == "Kim"
    assert [step.measured for step in check.steps] == pytest.approx([12.0, 5.0], abs=1e-3)
    assert bench.machine.place == (4.0, 8.0)
    assert [place for place in bench.machine.reached if place in PLACES] == [*PLACES]
    kinds = bench.kinds()
    assert (kinds[0], kinds[-1]) == (MarkKind.PAUSED, MarkKind.RESUMED)
    assert kinds.index(MarkKind.CHECK_ENDED) == len(kinds) - 2
    pauses = [detail for kind, detail in bench.marks() if kind is MarkKind.PAUSED]
    assert {pause["by"] for pause in pauses} == {CRAWLER}
    begun = next(detail for kind, detail in bench.marks() if kind is MarkKind.CHECK_BEGUN)
    assert "off_part" not in begun
    assert bench.session.pipeline.lost_axes == ()
    bench.after_line(right)  # it is done
    assert bench.kinds() == kinds


def test_check_that_fails_on_the_part_stops_it_until_a_person_decides(bench: CrawlBench) -> None:
    """It does not drive back, and what it reads counts for no cell."""
    bench.say("check")
    with pytest.raises(HaltedError, match="calibration check 1 failed"):
        bench.after_line(lambda place: right(place) + 0.3)
    assert bench.suspect() == [*range(8)]
    assert bench.checking.waits
    assert bench.machine.machine.state is State.STOPPING
    assert bench.machine.place == PLACES[1]
    assert bench.session.pipeline.pauses.active
    assert bench.kinds()[-1] is MarkKind.PAUSED
    assert not bench.machine.done


def test_fault_on_the_way_gives_the_check_up_and_nothing_counts_before_homing(
    bench: CrawlBench,
) -> None:
    """The fault is the cause, as without a check."""
    bench.say("check")

    def fail() -> None:
        if bench.machine.reached and bench.machine.place == PLACES[0]:
            bench.machine.trouble(Event.ENCODER_SILENT, "nothing came")

    bench.machine.on_move = fail
    with pytest.raises(HaltedError, match="nothing came"):
        bench.after_line(right)
    assert bench.kinds()[-1] is MarkKind.CHECK_GIVEN_UP
    assert bench.session.pipeline.suspect_cells.checks.checks == []
    assert bench.session.pipeline.pauses.active
    assert bench.machine.machine.cause is Event.ENCODER_SILENT
    assert not bench.machine.done
    assert not bench.checking.waits


@pytest.mark.parametrize("off", [0.0, 0.3])
def test_pause_of_a_person_is_never_replaced_by_the_crawlers_own(
    bench: CrawlBench, off: float
) -> None:
    """The guards stop a crawler by it: it is not refused during the check, and stays."""
    bench.say("check")

    def pause() -> None:
        if bench.machine.reached and bench.machine.place == PLACES[0]:
            bench.say("pause")

    bench.machine.on_move = pause
    with suppress(HaltedError):
        bench.after_line(lambda place: right(place) + off)
    pauses = bench.session.pipeline.pauses
    assert (pauses.active, pauses.by) == (True, "Kim")
    assert bench.kinds()[-1] is MarkKind.CHECK_ENDED


def test_step_without_echo_is_given_up_by_a_person_and_the_crawler_waits(bench: CrawlBench) -> None:
    """Nobody but a crawler takes its readings; a person may give up."""
    bench.say("check")

    async def run() -> None:
        async with bench.gauge(lambda _: None):
            task = asyncio.create_task(bench.checking.after_line())
            while not bench.work.active:  # noqa: ASYNC110  nothing else says so
                await asyncio.sleep(0.001)
            assert bench.say("check step") == "refused: the crawler makes this check by itself"
            bench.say("check give up", text="dry")
            await task

    with pytest.raises(HaltedError, match="given up"):
        asyncio.run(run())
    assert bench.checking.waits
    assert bench.kinds().count(MarkKind.CHECK_GIVEN_UP) == 1


def test_due_check_is_made_by_itself_where_the_plan_has_a_place_for_it(bench: CrawlBench) -> None:
    """After the line, once the last pass is older than the interval."""
    bench.after_line(right)
    assert MarkKind.CHECK_BEGUN not in bench.kinds()  # none has passed, and none is due
    bench.say("check")
    bench.after_line(right)
    bench.time += 11 * MINUTE
    bench.session.enter(Tick(bench.time))
    bench.after_line(right)
    checks = bench.session.pipeline.suspect_cells.checks.checks
    assert [check.by for check in checks] == ["Kim", CRAWLER]


def test_place_that_cannot_be_reached_stops_it_before_it_moves(tmp_path: Path) -> None:
    """It is within a zone that the plan excludes."""
    made = CrawlBench(tmp_path / "survey", places=((330.0, 16.0), (120.0, 40.0)))
    with made.session:
        made.begin()
        made.say("check")
        with pytest.raises(HaltedError, match="clear of the excluded zones"):
            made.after_line(right)
        assert made.machine.reached == []
        assert made.checking.waits


def test_crawler_without_a_place_stops_for_a_check_by_hand(by_hand: CrawlBench) -> None:
    """It begins once the crawler rests, and nothing lets that go on before it has ended."""
    bench = by_hand
    bench.work.on_resume = lambda by: f"resumed by {by}"
    assert bench.say("check") == "the crawler finishes its line, and stops for a check by hand"
    with pytest.raises(HaltedError, match="calibration check requested by Kim"):
        bench.after_line(right)
    assert not bench.checking.in_hands
    bench.machine.trouble(Event.AT_REST, "")
    bench.checking.begin_by_hand()
    assert bench.checking.in_hands
    assert bench.machine.reached == []
    for wall in (12.0, 5.0):
        bench.put_on(wall)
        said = bench.say("check step")
    assert said.endswith("let the crawler continue when everybody is clear of it")
    assert not bench.checking.in_hands


@pytest.mark.parametrize("event", [Event.END, Event.HOME, Event.STOP_ASKED])
def test_check_by_hand_never_begins_before_the_crawler_rests(
    by_hand: CrawlBench, event: Event
) -> None:
    """It ends, homes, or is sent a stop: a hand at the probe would be in its way."""
    by_hand.machine.machine.take(event)
    assert by_hand.say("check") == "the crawler finishes its line, and stops for a check by hand"
    assert not by_hand.checking.in_hands


def test_crawler_about_to_arm_again_keeps_still_for_a_check_by_hand(by_hand: CrawlBench) -> None:
    """A fault of which the station grants the recovery leaves it at rest for a while: long enough."""
    machine = by_hand.machine.machine
    for event in (Event.ENCODER_SILENT, Event.AT_REST):
        machine.take(event)
    by_hand.checking.keep_still()  # nobody is there yet
    assert by_hand.say("check").startswith("paused for a calibration check")
    machine.take(Event.CLEARED)
    with pytest.raises(HaltedError, match="made by hand"):
        by_hand.checking.keep_still()
    assert machine.state is State.STOPPED
    assert by_hand.checking.waits


def test_crawler_is_not_armed_while_a_check_is_made_by_hand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would home next."""
    text = crawl_station(Path("p"))
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"), armed=True)
    assert daemon.crawl is not None
    done: list[str] = []

    async def ready(_: Any) -> None:
        done.append("ready")

    async def arm(_: Any) -> None:
        done.append("armed")
        raise HaltedError

    monkeypatch.setattr(Recovery, "ready", ready)
    monkeypatch.setattr(Drive, "arm", arm)
    for active in (True, False):
        daemon.crawl.checking.work = cast("Any", SimpleNamespace(active=active, by_crawler=False))
        with pytest.raises(HaltedError):
            asyncio.run(daemon.crawl._cover())
    assert done == ["ready", "ready", "armed"]


def test_person_cannot_let_a_crawler_go_on_during_a_check_by_hand(tmp_path: Path) -> None:
    """Key g is refused until the check has ended."""
    text = crawl_station(Path("p"))
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"), armed=True)
    assert daemon.crawl is not None
    machine = daemon.crawl.machine
    for event in (Event.ARMED, Event.STOP_ASKED, Event.AT_REST):
        machine.take(event)
    assert daemon.crawl.checking.work is daemon.checks
    assert daemon.checks.to_crawler is not None
    daemon.crawl.checking.work = cast("Any", SimpleNamespace(active=True, by_crawler=False))
    assert daemon.crawl.resuming.go_on("Kim").startswith(
        "refused: a calibration check is in progress"
    )
    daemon.crawl.checking.work = cast("Any", SimpleNamespace(active=True, by_crawler=True))
    assert not daemon.crawl.checking.in_hands


def test_overdue_check_by_hand_does_not_stop_a_crawler_unasked(by_hand: CrawlBench) -> None:
    """It is asked for, and the alarm is raised, as without a crawler."""
    bench = by_hand
    bench.machine.machine.take(Event.STOP_ASKED)
    bench.machine.machine.take(Event.AT_REST)
    assert bench.say("check").startswith("paused for a calibration check")
    assert not bench.machine.done  # a hand was at the probe
    for wall in (12.0, 5.0):
        bench.put_on(wall)
        bench.say("check step")
    bench.time += 11 * MINUTE
    bench.session.enter(Tick(bench.time))
    assert bench.work.overdue is not None
    bench.after_line(right)
    assert not bench.checking.waits


def test_request_to_a_crawler_that_rests_moves_nothing(bench: CrawlBench) -> None:
    """A person at this machine lets it continue first."""
    bench.machine.machine.take(Event.STOP_ASKED)
    bench.machine.machine.take(Event.AT_REST)
    assert bench.say("check") == (
        "the crawler rests: it checks on its reference step once somebody at this machine lets it "
        "continue"
    )
    assert bench.machine.reached == []
    assert MarkKind.PAUSED not in bench.kinds()


def test_datum_is_put_where_the_probe_is_on_the_step(tmp_path: Path) -> None:
    """A probe 7 mm ahead of the datum and 2 mm beside it is on a step that far from the datum."""
    bench = CrawlBench(tmp_path, places=((-20.0, 40.0), (-30.0, 40.0)), offset=(7.0, 2.0))
    assert list(bench.checking._datum.values()) == [[(-27.0, 38.0), (-37.0, 38.0)]]


class TwoProbes(CrawlBench):
    """A crawler with a second probe 3 mm above the first, which is at the datum."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, text=text_of({"gauge": (0.0, 0.0), "second": (0.0, 3.0)}))
        self.walls: dict[str, float | None] = {}

    def send(self, count: float | None, wall: float | None, times: int = 1) -> None:
        """Let both gauges send, each the wall where its own probe is, unless it has one of its own."""
        del count, times
        self.time += 10 * MS
        for name, offset in (("gauge", 0.0), ("second", 3.0)):
            at = (self.machine.place[0], self.machine.place[1] + offset)
            found = self.walls.get(name, wall and right(at)) if at in PLACES else 7.0
            echo = f"{2 * found / VELOCITY:.6f},E" if found is not None else "0.000,N"
            ms = self.time // MS
            self.session.enter(Chunk(self.time, name, line(f"R,{ms},{echo}")))
        self.session.enter(Tick(self.time))
        self.work.advance()


def test_crawler_puts_each_probe_on_each_step_in_turn(tmp_path: Path) -> None:
    """The datum is driven to where that probe is on the step; each has a check of its own."""
    bench = TwoProbes(tmp_path / "survey")
    with bench.session:
        bench.begin()
        bench.session.enter(PortChange(bench.time, "second", "open", ""))
        bench.say("check")
        bench.after_line(lambda _: 1.0)
        checks = bench.session.pipeline.suspect_cells.checks.checks
        assert [(one.probe_name, one.passed) for one in checks] == [
            ("gauge", True),
            ("second", True),
        ]
        below = [(scan, index - 3.0) for scan, index in PLACES]
        reached = dict.fromkeys(at for at in bench.machine.reached if at in (*PLACES, *below))
        assert [*reached] == [*PLACES, *below]
        assert bench.machine.place == (4.0, 8.0)
        assert not bench.session.pipeline.pauses.active


def test_crawler_is_halted_with_the_probe_whose_check_failed(tmp_path: Path) -> None:
    """After the round: the other one is checked, too. A probe without echo is left out."""
    bench = TwoProbes(tmp_path / "survey")
    with bench.session:
        bench.begin()
        bench.session.enter(PortChange(bench.time, "second", "open", ""))
        bench.walls = {"gauge": 12.5}
        bench.say("check")
        with pytest.raises(HaltedError, match="calibration check 1 of probe gauge failed"):
            bench.after_line(lambda _: 1.0)
        assert len(bench.session.pipeline.suspect_cells.checks.checks) == 2
    bench = TwoProbes(tmp_path / "other")
    with bench.session, pytest.MonkeyPatch.context() as patch:
        bench.begin()
        bench.session.enter(PortChange(bench.time, "second", "open", ""))
        lost = SimpleNamespace(probes=[SimpleNamespace(name="gauge", alone=True)])
        patch.setattr(bench.session.pipeline, "progress", lambda: lost)
        bench.say("check")
        bench.after_line(lambda _: 1.0)
        (check,) = bench.session.pipeline.suspect_cells.checks.checks
        assert (check.probe_name, check.passed) == ("second", True)
        assert list(bench.session.pipeline.suspect_cells.checks.skipped) == [0]
        assert set(bench.machine.reached).isdisjoint(PLACES)
