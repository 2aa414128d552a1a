"""The commanded crawler at its port: reads, answers, drives, halts."""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from swathe_simulators.crawler import drive
from swathe_simulators.crawler.gcode import GcodeError, read_gcode
from swathe_simulators.crawler.interpreter import GcodeAction, GcodeCommand, Interpreter
from swathe_simulators.crawler.link import STOP, LineInput, Link, Responder
from swathe_simulators.crawler.log import CrawlerEventKind, CrawlerLog
from swathe_simulators.crawler.path_monitor import PathMonitor
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.outlet import DeviceInfo
from swathe_simulators.ports import Port
from swathe_simulators.trajectory import Piece, Trajectory

_PATIENCE_S = 0.5
_TINY_MM = 1e-6


class Crawler:
    """A machine that takes G-code by line and `!` and `?` at once.

    It answers `ok`, `error: …`, `alarm: …`, `busy: …`, `homed X` and positions like
    `POS X1.000 Y2.000 idle`. M17 switches its drives on, M18 off, M114 and `?` ask for the
    position of its motors, G28 finds the reference of an axis. Its motors don't know where it
    truly is: that is `trajectory`, and what happened is in `log`.

    Only the world's serving thread calls its methods once the world runs.
    """

    def __init__(
        self,
        model: CommandedModel,
        *,
        trajectory: Trajectory,
        port: Port,
        seed: np.random.SeedSequence,
    ) -> None:
        self.model = model
        self.trajectory = trajectory
        self.motor = Trajectory(scan=model.start_scan_mm, index=model.start_index_mm)
        self.log = CrawlerLog()
        self.link = Link(port)
        moves, answers = seed.spawn(2)
        self._chance = np.random.default_rng(moves)
        self._responder = Responder(model, self.link, answers)
        self._interpreter = Interpreter(model)
        self._watch = PathMonitor(model, trajectory)
        self._shift = [0.0, 0.0]  # the motors' position is that of their path, plus this
        self._input = LineInput()
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._asks: deque[tuple[float, int | None]] = deque()  # when acknowledged, line number
        self._ends: deque[float] = deque()  # of moves that are not over
        self._count = self._moves = 0
        self._enabled = self._latched = self._alarm = self._homing = False
        self._homed: set[str] = set()
        self._stopped = False  # since the last enabling
        self._resting_at = self._crash_at = math.inf
        self._patience_at = 0.0
        self._now = self._ahead = 0.0
        self._start_s: float | None = None
        self._listened = False

    # The world's side ---------------------------------------------------------------

    def tick(self, now_s: float, ahead_s: float, start_s: float | None, *, listened: bool) -> None:
        """Read, answer and drive.

        Args:
            now_s: world time.
            ahead_s: world time up to which the motion can't be changed any more.
            start_s: when the motion began; None while it has not.
            listened: whether the port has a listener.
        """
        self._start_s = start_s
        self._now = now_s - start_s if start_s is not None else 0.0
        self._ahead = max(0.0, ahead_s - start_s) if start_s is not None else 0.0
        if self._listened and not listened:
            self._note("hung_up")
            self._input.clear()
            if self.model.halt_on_hang_up and self._ends:
                self._halt("nobody listens")
        self._listened = listened
        for byte in self._input.add(self.link.port.take()):
            self._stop() if byte == STOP else self._say(self._report())
        self._happen()
        while not self._blocked and (line := self._input.next_line()) is not None:
            self._obey(line)
        self._acknowledge()
        self._ask_patience()
        self.link.serve(now_s)

    def watch(self, until_s: float) -> None:
        """Judge the motion up to a time (s since the start) that can't be changed any more."""
        for zone in self._watch.entered(until_s):
            text = f"{zone.scan_mm[0]:g}..{zone.scan_mm[1]:g} x "
            text += f"{zone.index_mm[0]:g}..{zone.index_mm[1]:g} mm"
            self._note("entered", text, at=until_s)

    def describe(self) -> DeviceInfo:
        """Return where it is plugged in, and what it answers when it is asked for its position."""
        port = self.model.port
        columns = ("POS", "X", self.model.index_word, "state")
        return DeviceInfo(
            name=self.model.name,
            kind="crawler",
            port=self.link.port.address,
            baud=port.baud,
            rate_hz=0.0,
            example=self._report(),
            columns=columns,
        )

    # Reading ------------------------------------------------------------------------

    @property
    def _blocked(self) -> bool:
        return self._homing or len(self._asks) > self.model.buffer

    def _obey(self, line: bytes) -> None:
        number: int | None = None
        try:
            block = read_gcode(line)
            number = block.number
            scan, index = self._motor_end()
            request = self._interpreter.read(block, scan=scan, index=index)
            self._carry_out(request, number, scan, index)
        except GcodeError as error:
            self._note("refused", f"{line!r}: {error}")
            self._say(f"error: {error}" + ("" if number is None else f" in N{number}"))

    def _carry_out(
        self, request: GcodeCommand, number: int | None, scan: float, index: float
    ) -> None:
        if request.action is GcodeAction.ENABLE:
            self._enabled, self._latched, self._alarm = True, False, False
            self._stopped = False
        elif request.action is GcodeAction.DISABLE:
            if self._ends:
                self._halt("drives off")
            self._enabled = False
        elif request.action is GcodeAction.REPORT:
            self._acknowledge()
            self._say(self._report())
        elif request.action is GcodeAction.HOME:
            self._check_ready(homing=True)
            self._home(request.axes, number)
            return
        elif request.action is GcodeAction.DWELL:
            self._append([Piece(request.seconds)], [Piece(request.seconds)])
            self._wait(number)
            return
        elif request.action is GcodeAction.MOVE:
            self._check_ready(homing=False)
            displacements = [
                0.0 if to is None or abs(to - here) < _TINY_MM else to - here
                for to, here in ((request.scan, scan), (request.index, index))
            ]
            self._move((displacements[0], displacements[1]), request.speed)
            self._wait(number)
            return
        self._wait(number, at=self._now)

    def _check_ready(self, *, homing: bool) -> None:
        if self._stopped:
            self._note("asked_after_stop")
        if self._alarm:
            raise GcodeError("alarm, switch the drives on again (M17)")
        if self._latched:
            raise GcodeError("stopped, switch the drives on again (M17)")
        if not self._enabled:
            raise GcodeError("the drives are off (M17)")
        if self.model.needs_homing and not homing and self._homed != {"scan", "index"}:
            raise GcodeError("not homed (G28)")

    # Driving ------------------------------------------------------------------------

    def _motor_end(self) -> tuple[float, float]:
        end = self.motor.at([self.motor.end_s])
        return float(end.scan[0]) + self._shift[0], float(end.index[0]) + self._shift[1]

    def _true_end(self) -> tuple[float, float]:
        end = self.trajectory.at([self.trajectory.end_s])
        return float(end.scan[0]), float(end.index[0])

    def _move(self, displacement: tuple[float, float], speed: float | None) -> None:
        """Plan a move behind those that are planned, with the mishaps that chance has for it."""
        here = self._true_end()
        begin = max(self.trajectory.end_s, self._ahead)
        visits = self._watch.visits(
            here, (here[0] + displacement[0], here[1] + displacement[1]), begin
        )
        line = drive.line_of(self.model, displacement, here[1])
        template = Piece(0.0, line=line, pass_number=visits)
        pieces = drive.straight(self.model, displacement, template, speed=speed or math.inf)
        slipping, stalling, where = self._chance.random(3)
        mishap = self.model.mishap
        true = pieces
        if pieces and slipping < mishap.slip:
            true = drive.slowed(pieces, 1.0 - mishap.slip_share)
            self._note("slipped", f"{mishap.slip_share:.0%} of {math.hypot(*displacement):.1f} mm")
        if pieces and stalling < mishap.stall:
            stuck = where * drive.duration_of(pieces)
            rest = replace(template, duration_s=drive.duration_of(pieces) - stuck)
            true = [*drive.first_seconds(true, stuck), rest]
            self._note("stalled", f"after {where:.0%} of the time")
        self._moves += bool(pieces)
        if pieces and self._moves == mishap.restart_in_move:
            self._at(begin + drive.duration_of(pieces) / 2, self._restart)
        if pieces and self._stopped:
            self._note("moved_after_stop", f"by {math.hypot(*displacement):.1f} mm")
        self._append(true, pieces)

    def _append(self, true: Sequence[Piece], motor: Sequence[Piece]) -> None:
        """Add pieces to both paths; both take as long. Ends in a crash where travel ends."""
        if self._crash_at < math.inf:  # it crashes before it could come to these
            return
        model = self.model
        begin = max(self.trajectory.end_s, self._ahead)
        crash = math.inf
        moving = next((p for p in true if p.speed > 0 or p.acceleration > 0), None)
        if moving is not None and moving.direction is not None:
            limits = (model.scan_limits_mm, model.index_limits_mm)
            free = drive.distance_to_edge(self._true_end(), moving.direction, limits)
            if free < drive.length_of(true) - 1e-6:
                crash = drive.time_at(true, free)
                true, motor = drive.first_seconds(true, crash), drive.first_seconds(motor, crash)
        self.trajectory.append(true, not_before_s=begin)
        self.motor.append(motor, not_before_s=begin)
        self._crash_at = begin + crash
        self._ends.append(self.trajectory.end_s)

    def _crashed(self) -> None:
        self._crash_at = math.inf
        position = self.trajectory.at([self._now])
        scan, index = float(position.scan[0]), float(position.index[0])
        text = f"end of travel at X{scan:.1f} {self.model.index_word}{index:.1f} mm"
        self._note("crossed", text)
        self._alarm, self._homing = True, False
        self._drop_plans()
        # What was planned behind the crash never happens.
        self._break_off()
        self._note("alarm", text)
        self._say(f"alarm: {text}")

    def _stop(self) -> None:
        """A stop arrived: brake now, forget what was to come."""
        self._note("stop")
        self._stopped = True
        self._latched = self._latched or self.model.stop_latches
        self._halt("stopped")

    def _halt(self, why: str) -> None:
        self._homing = False
        for _, number in self._asks:
            self._say(f"error: {why}" + ("" if number is None else f" in N{number}"))
        self._drop_plans()
        braking = self._break_off()
        if braking is not None:
            self._append(*braking)
        self._resting_at = self.trajectory.end_s

    def _restart(self) -> None:
        """The controller restarts: it brakes, greets nobody, and where it rests is its zero."""
        self._note("restarted")
        self._asks.clear()
        self._halt("restarted")
        self._enabled = False
        scan, index = self._motor_end()
        self._shift = [self._shift[0] - scan, self._shift[1] - index]

    def _drop_plans(self) -> None:
        self._events.clear()
        self._asks.clear()
        self._ends.clear()
        self._input.clear()

    def _break_off(self) -> tuple[list[Piece], list[Piece]] | None:
        """Cut both paths at the first moment that can be changed; return the pieces to brake."""
        true = self.trajectory.break_off(self._ahead)
        motor = self.motor.break_off(self._ahead)
        self._watch.forget_after(self._ahead)
        if self._crash_at > self._ahead:  # otherwise nothing can avert it
            self._crash_at = math.inf
        if motor.speed <= 0.0:
            return None
        time = motor.speed / self.model.stop_deceleration_mm_per_s2
        braking = [replace(p, duration_s=time, acceleration=-p.speed / time) for p in (true, motor)]
        return [braking[0]], [braking[1]]

    def _home(self, axes: Sequence[str], number: int | None) -> None:
        """Drive to the switches, whatever position the motors report."""
        if self._stopped:
            self._note("moved_after_stop", "homing")
        self._homing = True
        for axis in axes:
            which = 0 if axis == "scan" else 1
            home = (self.model.scan_home_mm, self.model.index_home_mm)[which]
            distance = home - self._true_end()[which]
            displacement = (distance, 0.0) if which == 0 else (0.0, distance)
            speed = self.model.homing_speed_mm_per_s
            pieces = drive.straight(self.model, displacement, Piece(0.0), speed=speed)
            self._append(pieces, pieces)
            self._at(max(self.trajectory.end_s, self._ahead), partial(self._found, axis))
        done = partial(self._homing_done, number)
        self._at(max(self.trajectory.end_s, self._ahead), done)
        self._patience_at = self._now

    def _ask_patience(self) -> None:
        """Report at intervals that an acknowledgement is still to come."""
        if not (self._homing or self._asks):
            self._patience_at = self._now + _PATIENCE_S
        elif self._now >= self._patience_at:
            self._say("busy: homing" if self._homing else "busy: moving")
            self._patience_at = self._now + _PATIENCE_S

    def _found(self, axis: str) -> None:
        which = 0 if axis == "scan" else 1
        home = (self.model.scan_home_mm, self.model.index_home_mm)[which]
        self._shift[which] += home - self._motor_end()[which]
        self._homed.add(axis)
        word = "X" if which == 0 else self.model.index_word
        self._note("homed", word)
        self._say(f"homed {word}")

    def _homing_done(self, number: int | None) -> None:
        self._homing = False
        self._wait(number, at=self._now)

    # Answering ----------------------------------------------------------------------

    def _at(self, when: float, what: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._events, (when, self._count, what))

    def _happen(self) -> None:
        """Run the events that are due, and log when it rests after a stop."""
        now = self._now
        while self._events and self._events[0][0] <= now and self._start_s is not None:
            heapq.heappop(self._events)[2]()
        while self._ends and self._ends[0] <= now:
            self._ends.popleft()
        if self._crash_at <= now:
            self._crashed()
        if self._resting_at <= now:
            self._resting_at = math.inf
            self._note("rest")

    def _wait(self, number: int | None, *, at: float | None = None) -> None:
        """Acknowledge when the buffer has room again, or at a time; never before those before."""
        if at is None:
            behind = len(self._ends) - 1 - self.model.buffer
            at = self._now if behind < 0 else self._ends[behind]
        if self._asks:
            at = max(at, self._asks[-1][0])
        self._asks.append((at, number))

    def _acknowledge(self) -> None:
        while self._asks and self._asks[0][0] <= self._now:
            _, number = self._asks.popleft()
            if self._responder.loses():
                self._note("acknowledgement_lost", "" if number is None else f"N{number}")
            else:
                self._say("ok" if number is None else f"ok N{number}")

    def _report(self) -> str:
        position = self.motor.at([self._now])
        scan, index = float(position.scan[0]), float(position.index[0])
        where = self._interpreter.position(scan + self._shift[0], index + self._shift[1])
        state = "moving" if self.motor.end_s > self._now or self._homing else "idle"
        extra = " alarm" if self._alarm else " stopped" if self._latched else ""
        return f"POS {where} {state}{extra}"

    def _say(self, text: str) -> None:
        junk = self._responder.say(text, self._now + (self._start_s or 0.0))
        if junk:
            self._note("garbage", junk)

    def _note(self, kind: CrawlerEventKind, text: str = "", *, at: float | None = None) -> None:
        time_s = self._now if at is None else at
        position = self.trajectory.at([time_s])
        world = math.nan if self._start_s is None else time_s + self._start_s
        self.log.add(kind, world, float(position.scan[0]), float(position.index[0]), text)
