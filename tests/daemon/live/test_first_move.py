"""The first move of a crawler in simulated time: what is wrong with axes is found within millimetres.

The machine is simulated here by textbook kinematics: uniform acceleration, and brakes of its own.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import pytest

from daemon.live.test_crawl import MS, station
from support.crawl import crawl_station
from swathe.journal import MarkKind
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.first_move import FirstMove
from swathe.live.crawl.homing import Homing
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.recovery import Recovery
from swathe.live.session import Session
from swathe.motion import (
    Action,
    CrawlStates,
    Event,
    Move,
    Point,
    State,
    check_move,
    first_move_seconds,
    first_speed,
    work_area_of,
)
from swathe.station import Station, parse_station

Matrix = tuple[Point, Point]

STEP_MS = 2
ROUND_MS = 8
REPORT_MS = 30
STOP_MS = 10
BRAKES = 1200.0
"""Deceleration after a stop, mm/s², of the simulated crawler as its scenario has it."""
SOUND: Matrix = ((1.0, 0.0), (0.0, 1.0))
GUARD = 'heartbeat = "1 s"\nlag = "50 ms"\n'


def stepped() -> Station:
    """Return a station whose index axis has no encoder."""
    old = 'resolution = "8 mm"\ndevice = "encoder"\ncounts_per_mm = 40\n'
    text = crawl_station(Path("p"), guard=GUARD)
    assert old in text
    return parse_station(text.replace(old, 'resolution = "8 mm"\nmode = "stepped"\n'), "x")


@dataclass
class Scene:
    """A machine, its encoders and its loop, of which `sleep` lets the time pass.

    Attributes:
        motor: where the controller reports to be, mm.
        ways: what each encoder moves by for 1 mm of each motor: a row for scan and one for index.
        true: what the crawler moves by, likewise.
        latency_ms: of a sample.
        busy_ms: a round takes so long.
        on_change: encoders send no sample while they rest.
        refused: every move is refused.
        reports: mm that the controller reports for 1 mm.
        slips: share of the first try that its wheels lose.
        glitch: samples are wrong by so much, mm, for `glitch_ms` in each second of a move.
        drifts: the scan encoder moves by so much without a command, mm/s.
        stops_ms: time at which somebody says stop.
        restarts_ms: time at which the controller restarts without a greeting.
        stuck_after: the motors do not move further than this, mm, and the controller reports so.
    """

    station: Station = field(default_factory=lambda: station(GUARD))
    motor: list[float] = field(default_factory=lambda: [-60.0, 0.0])
    ways: Matrix = SOUND
    true: Matrix = SOUND
    latency_ms: int = 15
    busy_ms: int = ROUND_MS
    on_change: bool = False
    refused: bool = False
    reports: float = 1.0
    slips: float = 0.0
    glitch: float = 0.0
    glitch_ms: int = 4
    stops_ms: float = math.inf
    restarts_ms: float = math.inf
    stuck_after: float = math.inf
    drifts: float = 0.0

    now_ms: int = 1000
    moves: list[Move] = field(default_factory=list)
    marks: list[tuple[MarkKind, dict[str, Any]]] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    delays: dict[str, int] = field(default_factory=lambda: {"encoder": 2 * MS, "gauge": 9 * MS})
    position: tuple[float | None, float | None] = (None, None)
    last_sample_times: tuple[int | None, int | None] = (None, None)
    report: MachineReport | None = None
    placing: Any = None
    detail: str = ""
    hopeless: str = ""

    def __post_init__(self) -> None:
        self.machine = CrawlStates()
        self.machine.take(Event.ARMED)
        self.host = HostWatch()
        self.place = list(self.motor)
        self.encoder = list(self.motor)
        self.begun = list(self.motor)
        self.furthest = 0.0
        self._reported = list(self.motor)
        self._velocity = 0.0
        self._move: Move | None = None
        self._stops_at = math.inf
        self._samples: deque[tuple[int, Point]] = deque()
        self._asked: deque[tuple[int, Point, bool]] = deque()
        self._sampled: Point | None = None
        self._next_round = 0
        self.first = FirstMove(
            self.station,
            cast("Session", self),
            drive=cast("Drive", self),
            homing=cast("Homing", self),
            recovery=cast("Recovery", self),
            host=self.host,
            area=lambda: work_area_of(self.station),
            go=self.go,
            say=self.words.append,
            clock=lambda: self.now_ms * MS,
            sleep=self.sleep,
        )

    @property
    def pipeline(self) -> Scene:
        """The pipeline; its positions are those of the newest samples."""
        return self

    def mark(self, kind: MarkKind, **detail: Any) -> None:
        """Journal a mark."""
        self.marks.append((kind, detail))

    def trouble(self, event: Event, text: str) -> None:
        """Take an event; a stop reaches the machine later."""
        if self.machine.take(event, text) is Action.STOP:
            self._stops_at = min(self._stops_at, self.now_ms + STOP_MS)

    async def fresh(self) -> MachineReport:
        """Return a report of the machine that is asked for from now on."""
        begun = self.now_ms
        while self.report is None or self.report.time <= begun * MS:
            await self.sleep(0.005)
        return self.report

    async def rest(self) -> None:
        """Let the machine come to rest after a stop."""
        await self.sleep(0.3)
        self.machine.take(Event.AT_REST)

    def lost_text(self, _: MachineReport | None) -> str:
        """Return that the controller has lost its position, if it has."""
        return "it has restarted" if self.restarts_ms < self.now_ms else ""

    async def check_drift(self, report: MachineReport) -> None:
        """Compare the report with the encoder at rest."""
        if math.dist(report.place, self.encoder) > 4.0:
            self.trouble(Event.DISAGREEMENT, "lost")
            raise HaltedError("lost")

    async def go(self, move: Move) -> None:
        """Make a move; what a machine does that refuses it, or rests elsewhere, is as in `Drive`."""
        check_move(move, work_area_of(self.station).limits, work_area_of(self.station).zones)
        self.moves.append(move)
        self.machine.take(Event.MOVE)
        if not self.refused:
            self._move, self.begun_motor = move, list(self.motor)
        begun = self.now_ms
        while True:
            await self.sleep(0.005)
            if not self.machine.may_move:
                raise HaltedError(self.machine.text)
            report = self.report
            if report is None or self._move is not None or report.time < (begun + 100) * MS:
                continue
            if math.dist(report.place, move.end) <= 0.1:
                break
            if self.now_ms > begun + 1000 and report.moving is False:
                self.trouble(Event.UNANSWERED, f"it rests at {report.place[0]:.1f} mm")
                raise HaltedError(self.machine.text)
        self.machine.take(Event.REACHED)

    async def sleep(self, seconds: float) -> None:
        """Let the time pass."""
        for _ in range(max(1, round(seconds * 1e3 / STEP_MS))):
            self._step()

    def make(self) -> str:
        """Make the first move; return what stopped it, empty if nothing did."""
        try:
            asyncio.run(self.first.make())
        except HaltedError:
            return self.detail or self.machine.text
        return ""

    def texts(self) -> list[str]:
        """Return the texts of the marks."""
        assert all(kind is MarkKind.FIRST_MOVE for kind, _ in self.marks)
        return [str(detail["text"]) for _, detail in self.marks]

    def _step(self) -> None:
        self.now_ms += STEP_MS
        self._drive(STEP_MS / 1e3)
        now = self.now_ms
        if now % 4 == 0:
            here = (self.encoder[0], self.encoder[1])
            if not self.on_change or self._sampled != here:
                self._sampled = here
                if self.glitch and self._move is not None and now % 1024 < self.glitch_ms:
                    here = (here[0] + self.glitch, here[1])
                self._samples.append((now, here))
        if now % REPORT_MS == 0:
            place = [
                begin + self.reports * (here - begin)
                for here, begin in zip(self.motor, self._reported, strict=True)
            ]
            self._asked.append((now, (place[0], place[1]), self._move is not None))
        if now == self.restarts_ms:
            # It rests at once, and where it is is its zero.
            self._move, self.motor, self._reported = None, [0.0, 0.0], [0.0, 0.0]
        if now >= self.stops_ms:
            self.stops_ms = math.inf
            self.trouble(Event.STOP_ASKED, "by operator")
        if now >= self._next_round:
            self._next_round = now + self.busy_ms
            self._round()

    def _drive(self, seconds: float) -> None:
        """Move the motors, and what moves by them."""
        if self.drifts:
            self.encoder[0] += self.drifts * seconds
        move = self._move
        if move is None:
            return
        scale = max(abs(each) for row in self.true for each in row) or 1.0
        left = math.dist(self.motor, move.end)
        if self.now_ms >= self._stops_at:
            self._velocity -= BRAKES / scale * seconds
        elif left <= self._velocity**2 / (2 * move.acceleration):
            self._velocity -= move.acceleration * seconds
        else:
            self._velocity = min(move.speed, self._velocity + move.acceleration * seconds)
        way = min(left, max(self._velocity, 0.02) * seconds)
        stuck = math.dist(self.motor, self.begun_motor) >= self.stuck_after
        number = 0 if move.end[0] != move.start[0] else 1
        sign = 1 if move.end[number] > move.start[number] else -1
        if not stuck:
            self.motor[number] += sign * way
            grip = 1.0 - (self.slips if len(self.moves) == 1 else 0.0)
            for row in range(2):
                self.encoder[row] += sign * way * grip * self.ways[row][number]
                self.place[row] += sign * way * grip * self.true[row][number]
        self.furthest = max(self.furthest, math.dist(self.place, self.begun))
        if left <= 1e-3 or stuck or (self.now_ms >= self._stops_at and self._velocity <= 0):
            if left <= 1e-3:
                self.motor[number] = move.end[number]
            self._move, self._velocity = None, 0.0

    def _round(self) -> None:
        """One round of the daemon's loop: what has arrived is taken, and the guard looks."""
        now = self.now_ms
        self.host.note(now * MS)
        while self._samples and self._samples[0][0] + self.latency_ms <= now:
            time, here = self._samples.popleft()
            encoded = self.station.index_encoded
            self.position = (here[0], here[1] if encoded else 0.0)
            self.last_sample_times = (time * MS, time * MS if encoded else None)
        while self._asked and self._asked[0][0] + 5 <= now:
            time, place, moving = self._asked.popleft()
            self.report = MachineReport(now * MS, place, asked=time * MS, moving=moving)
        if self.machine.state in (State.ARMED, State.MOVING) and (fault := self.first.look()):
            self.trouble(fault.event, fault.seen)


def scene(**settings: Any) -> Scene:
    """Return a scene; its station needs what the placing of a station has."""
    made = Scene(**settings)
    made.placing = made.station.placing
    return made


def brakes_within(speed: float) -> float:
    """Return how far a machine gets once a stop is due, mm: v·t of the loop, then v²/2a (Galilei)."""
    late = (2 * ROUND_MS + 15 + STOP_MS + 2 * STEP_MS) / 1e3
    return speed * late + speed**2 / (2 * BRAKES)


def test_time_of_the_plan() -> None:
    """What `plan` states is what the moves take, but for the reports and samples waited for."""
    sound = scene()
    begun = sound.now_ms
    assert sound.make() == ""
    stated = first_move_seconds(sound.station, work_area_of(sound.station))
    assert stated > 2
    assert 0 < (sound.now_ms - begun) / 1e3 - stated < 1.0

    line = parse_station(crawl_station(Path("p"), guard=GUARD + "first_move = 0\n"), "x")
    assert first_move_seconds(line, work_area_of(line)) == 0


def test_sound_crawler_is_compared_on_both_axes() -> None:
    """10 mm each at no more than a fifth of the speed; the journal has what was compared."""
    sound = scene()
    assert sound.make() == ""
    assert sound.first.done
    home = (-60.0, 0.0)
    assert [move.end for move in sound.moves] == [(-50.0, 0.0), home, (-60.0, 10.0), home]
    assert all(move.speed <= 120 / 5 for move in sound.moves[::2])
    assert sound.texts() == [
        "first move: scan 10.0 mm commanded, 10.0 mm reported, 10.0 mm measured by its encoder; "
        "index 10.0 mm commanded, 10.0 mm reported, 10.0 mm measured by its encoder"
    ]
    assert sound.marks[0][1]["sound"] is True
    assert sound.machine.state is State.ARMED


def test_machine_in_inches_is_stopped_within_millimetres() -> None:
    """It would go 254 mm, 25.4 times as fast; it gets past the tolerance only by what braking takes."""
    inches = ((25.4, 0.0), (0.0, 25.4))
    wrong = scene(ways=inches, true=inches)
    text = wrong.make()
    assert "one of the two is in inches" in text
    assert "10.0 mm commanded" in text
    assert "25.4 times as far" in text
    assert "motion.protocol.arm" in text
    assert "motion.protocol.axes.scan.scale" in text
    assert "scan.counts_per_mm" in text
    assert wrong.hopeless == text
    speed = 25.4 * wrong.moves[0].speed
    print(f"stopped {wrong.furthest - 10.7:.1f} mm beyond the tolerance, at {speed:.0f} mm/s")
    assert 10.7 < wrong.furthest < 10.7 + brakes_within(speed)
    assert wrong.furthest < 22
    assert wrong.machine.cause is Event.DISAGREEMENT
    assert len(wrong.moves) == 1
    assert not wrong.first.done
    assert wrong.texts() == [text]
    assert wrong.marks[0][1]["sound"] is False


@pytest.mark.parametrize(
    ("acceleration", "length"), [(400.0, 10.0), (200.0, 10.0), (50.0, 5.0), (3000.0, 100.0)]
)
def test_speed_lets_a_machine_in_inches_brake_within_the_length(
    acceleration: float, length: float
) -> None:
    """At 25.4 times the speed its way to rest, v²/2a, is no longer than the move."""
    speed = first_speed(length, scan=1e6, axis=1e6, acceleration=acceleration)
    assert (25.4 * speed) ** 2 / (2 * acceleration) == pytest.approx(length)
    assert first_speed(length, scan=2.0, axis=50.0, acceleration=acceleration) == 0.4
    assert first_speed(length, scan=50.0, axis=1.0, acceleration=acceleration) == 0.2


@pytest.mark.parametrize(
    ("ways", "cause", "keys", "most"),
    [
        (((-1.0, 0.0), (0.0, 1.0)), "one of the two has the wrong sign", "scan.reversed", 2.0),
        (((0.0, 1.0), (1.0, 0.0)), "the axes are swapped", "scan.counts", 2.0),
        (((1.1, 0.0), (0.0, 1.0)), "one of the two has another scale", "scan.counts_per_mm", 11.0),
        (((1.0, 0.0), (0.3, 1.0)), "both axes move", "scan.device", 4.0),
        (
            ((-25.4, 0.0), (0.0, 1.0)),
            "one of the two is in inches and has the other sign",
            "scan.counts_per_mm",
            2.0,
        ),
    ],
)
def test_wrong_axis_is_stopped_in_the_move_and_named_with_its_keys(
    ways: Matrix, cause: str, keys: str, most: float
) -> None:
    """What no slip of the wheels explains needs a person, and costs no more than the bound."""
    wrong = scene(ways=ways)
    text = wrong.make()
    assert cause in text
    assert keys in text.rpartition("; see ")[2]
    assert wrong.hopeless == text
    assert wrong.furthest <= most
    assert len(wrong.moves) == 1
    assert wrong.machine.cause is Event.DISAGREEMENT


@pytest.mark.parametrize(
    ("ways", "cause"),
    [
        (((0.0, 0.0), (0.0, 1.0)), "the motor does not move the crawler, or its encoder is dead"),
        (((0.9, 0.0), (0.0, 1.0)), "one of the two has another scale, or the wheels slip"),
        (((1 / 25.4, 0.0), (0.0, 1.0)), "one of the two is in inches"),
    ],
)
def test_encoder_that_moves_too_little_is_a_fault(ways: Matrix, cause: str) -> None:
    """Slip or a stall may explain it once: only inches are certain after one try."""
    wrong = scene(ways=ways)
    text = wrong.make()
    assert cause in text
    inches = "inches" in cause
    assert bool(wrong.hopeless) is inches
    assert wrong.texts() == [text]
    assert len(wrong.moves) == (1 if inches else 2)
    assert math.dist(wrong.moves[0].start, wrong.moves[-1].end) <= 20.0
    assert wrong.machine.cause is Event.DISAGREEMENT


def test_second_axis_is_compared_like_the_first() -> None:
    """A reversed encoder of the index axis is found by the move of that axis."""
    wrong = scene(ways=((1.0, 0.0), (0.0, -1.0)))
    text = wrong.make()
    assert text.startswith("first move of index: 10.0 mm commanded")
    assert "index.reversed" in text
    assert (wrong.moves[-1].start, wrong.moves[-1].end) == ((-60.0, 0.0), (-60.0, 10.0))


def test_wheels_that_slip_once_have_a_second_try() -> None:
    """A single slip of 15 % shows no wrong scale; twice it is a fault, as for the scale."""
    slips = scene(slips=0.15)
    assert slips.make() == ""
    assert [move.end[0] for move in slips.moves[:3]] == [-50.0, -40.0, -60.0]
    assert len(slips.moves) == 5
    assert any(words.endswith("second try") for words in slips.words)


@pytest.mark.parametrize(("share", "is_fault"), [(0.94, False), (1.06, False), (0.92, True)])
def test_few_percent_are_tolerated(share: float, is_fault: bool) -> None:
    """7 % of 10 mm is the bound."""
    assert bool(scene(ways=((share, 0.0), (0.0, 1.0))).make()) is is_fault


def test_encoder_that_moves_before_anything_is_commanded_is_a_fault() -> None:
    """Nothing is sent then."""
    wrong = scene(drifts=5.0)
    text = wrong.make()
    assert text.startswith("the encoder of scan moved by 0.")
    assert "before anything was commanded" in text
    assert wrong.moves == []
    assert wrong.machine.cause is Event.DISAGREEMENT


def test_single_wrong_sample_stops_nothing() -> None:
    """The next sample has to show it as well."""
    wrong = scene(glitch=300.0)
    assert wrong.make() == ""


def test_wrong_samples_in_a_row_stop_it_and_need_a_person() -> None:
    """Nobody knows what the encoder did, though it agrees at rest."""
    wrong = scene(glitch=300.0, glitch_ms=40)
    text = wrong.make()
    assert text == wrong.hopeless == "first move of scan by 10.0 mm: " + text.partition(": ")[2]
    assert "the encoder of scan moved by 3" in text
    assert wrong.texts() == [text]


def test_stop_that_is_asked_for_is_no_finding() -> None:
    """Nothing is waited for or recorded, whatever the encoder shows by then."""
    stopped = scene(ways=((0.5, 0.0), (0.0, 1.0)), stops_ms=3500)
    assert stopped.make() == "by operator"
    assert stopped.now_ms < 3600
    assert stopped.moves
    assert (stopped.texts(), stopped.hopeless) == ([], "")


def test_encoder_that_is_late_is_not_judged_on_its_way() -> None:
    """9 % too much, of which it shows half a millimetre less as the controller reports rest."""
    assert "another scale" in scene(ways=((1.09, 0.0), (0.0, 1.0)), latency_ms=150).make()
    assert scene(ways=((1.03, 0.0), (0.0, 1.0)), latency_ms=150).make() == ""


def test_slow_axis_is_moved_at_the_lowest_speed_of_the_station() -> None:
    """1 mm/s where a fifth of the scan, or what brakes within the length, would be less."""
    text = crawl_station(Path("p"), guard=GUARD)
    slow = text.replace("acceleration_mm_per_s2 = 400", "acceleration_mm_per_s2 = 5")
    made = scene(station=parse_station(slow, "x"))
    assert made.make() == ""
    assert made.moves[0].speed == 1.0


def test_controller_that_restarts_in_the_first_move_is_named_and_not_moved_again() -> None:
    """It reports its zero, at which it did not begin; a further first move would begin at a wrong place."""
    wrong = scene(restarts_ms=3500)
    text = wrong.make()
    assert text == "it has restarted"
    assert wrong.machine.cause is Event.UNANSWERED
    assert wrong.hopeless == ""
    moves = len(wrong.moves)
    for event in (Event.AT_REST, Event.CLEARED, Event.ARMED):
        wrong.machine.take(event)
    wrong.detail = ""
    assert wrong.make() == "lost"
    assert len(wrong.moves) == moves


def test_machine_that_rests_elsewhere_is_compared_with_its_encoder() -> None:
    """It went 6 mm of 10 by its own report, and half of that by the encoder."""
    wrong = scene(ways=((0.4, 0.0), (0.0, 1.0)), stuck_after=6.0)
    text = wrong.make()
    assert "10.0 mm commanded, 6.0 mm reported by the controller, 2.4 mm measured" in text
    assert wrong.hopeless == ""
    assert wrong.machine.cause is Event.UNANSWERED


def test_machine_at_rest_elsewhere_whose_report_is_in_inches_is_named() -> None:
    """The crawler moved by 10 mm, the controller reports 0.394."""
    wrong = scene(reports=1 / 25.4)
    text = wrong.make()
    assert "0.4 mm reported by the controller, 10.0 mm measured by the encoder" in text
    assert "one of the two is in inches" in text
    assert wrong.hopeless
    assert wrong.machine.cause is Event.UNANSWERED


@pytest.mark.parametrize("settings", [{"refused": True}, {"stuck_after": 4.0}])
def test_command_that_fails_is_no_finding_of_the_axes(settings: dict[str, Any]) -> None:
    """A refusal, or a motor that stops by itself, stays what it is."""
    wrong = scene(**settings)
    assert wrong.make().startswith("it rests at ")
    assert wrong.hopeless == ""
    assert wrong.machine.cause is Event.UNANSWERED
    assert wrong.texts() == []


def test_axis_without_an_encoder_is_not_said_to_be_compared() -> None:
    """Its move is made, as the encoder of the other axis must not move by it."""
    sound = scene(station=stepped())
    assert sound.make() == ""
    assert sound.texts()[0].endswith(
        "index 10.0 mm commanded, 10.0 mm reported, no encoder to compare with"
    )
    text = scene(station=stepped(), ways=((1.0, 0.5), (0.0, 1.0))).make()
    assert text.startswith("first move of index")
    assert "the encoder of scan moved by" in text


def test_line_profile_has_one_axis_to_move() -> None:
    """Without an index axis nothing of it is moved or compared."""
    text = crawl_station(Path("p"), guard=GUARD)
    begin, end = text.index("[index]"), text.index("[calibration]")
    text = text[:begin] + text[end:]
    text = text.replace("[motion.retry]", '[motion.homing]\naxes = ["scan"]\n[motion.retry]')
    profile = scene(station=parse_station(text, "x"))
    assert profile.make() == ""
    assert [move.end for move in profile.moves] == [(-50.0, 0.0), (-60.0, 0.0)]
    assert "index" not in profile.texts()[0]


@pytest.mark.parametrize("busy_ms", [8, 300, 900])
@pytest.mark.parametrize("late_ms", [0, 60])
def test_loaded_host_makes_no_fault(busy_ms: int, late_ms: int) -> None:
    """Rounds and samples are late while the host is held up: it is waited until it has run."""
    sound = scene(busy_ms=busy_ms, latency_ms=15 + late_ms)
    assert sound.make() == ""
    assert sound.first.done


def test_host_that_is_held_up_all_the_time_is_what_is_blamed() -> None:
    """Without a sample after the move, and without time that the host has run, nothing is known."""
    slow = scene(busy_ms=300, on_change=True)
    text = slow.make()
    assert slow.machine.cause is Event.HOST_SLOW
    assert text == "the loop was held up for 300 ms"
    assert slow.hopeless == ""


def test_samples_that_come_after_the_usual_time_are_waited_for() -> None:
    """150 ms late, of lateness, delay and lag that are allowed: no second try, and no fault."""
    sound = scene(latency_ms=150)
    assert sound.make() == ""
    assert len(sound.moves) == 4


def test_encoder_that_sends_on_change_only_is_compared() -> None:
    """At rest it sends nothing: its last sample is where it is."""
    sound = scene(on_change=True)
    assert sound.make() == ""
    assert len(sound.moves) == 4


@pytest.mark.parametrize(
    ("place", "first"),
    [
        ((-60.0, 0.0), (-50.0, 0.0)),
        ((455.0, 0.0), (445.0, 0.0)),
        # Towards the middle is the lug of the support ring.
        ((308.0, 16.0), None),
        ((302.0, 16.0), (292.0, 16.0)),
        ((362.0, 16.0), (372.0, 16.0)),
    ],
)
def test_move_goes_towards_the_plan_and_keeps_clear(place: Point, first: Point | None) -> None:
    """Into the plan, within the travel and clear of the zones; the other way where it has to."""
    made = scene(motor=list(place))
    assert made.make() == ""
    begin = made.moves[0]
    assert abs(begin.end[0] - begin.start[0]) == pytest.approx(10.0)
    assert first is None or begin.end == pytest.approx(first)
    assert begin.end[0] < 312 or begin.start[0] > 358


def test_half_the_length_is_taken_where_the_whole_has_no_room() -> None:
    """Where not even that has room nothing moves, and the message names the key."""
    text = crawl_station(Path("p"), guard=GUARD)
    narrow = text.replace("min_mm = -5\nmax_mm = 90", "min_mm = -5\nmax_mm = 6")
    made = scene(station=parse_station(narrow, "x"), motor=[-60.0, 0.0])
    assert made.make() == ""
    assert made.moves[-2].end == (-60.0, 5.0)
    none = text.replace("min_mm = -5\nmax_mm = 90", "min_mm = -4\nmax_mm = 4")
    made = scene(station=parse_station(none, "x"))
    refused = made.make()
    assert refused.startswith("no room for the first move of index (motion.guard.first_move)")
    assert made.machine.cause is Event.LIMIT_REFUSED
    assert made.hopeless == refused


def test_none_is_made_where_the_station_file_has_0_and_the_survey_states_it() -> None:
    """Nothing moves for it."""
    made = scene(station=station(GUARD + 'first_move = "0 mm"\n'))
    assert made.make() == ""
    assert made.first.done
    assert made.moves == []
    assert made.texts() == ["no first move was made: motion.guard.first_move is 0"]
    assert made.marks[0][1]["sound"] is False
