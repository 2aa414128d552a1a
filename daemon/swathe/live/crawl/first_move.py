"""The first move of a run: short and slow on each axis, and compared with the encoders before the rest."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from swathe.journal import MarkKind
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.evidence import GuardFault
from swathe.live.crawl.homing import Homing
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.short_move import Moved, ShortMove, tolerance_of
from swathe.live.session import Session
from swathe.motion import (
    Event,
    MotionError,
    Move,
    MoveKind,
    Point,
    State,
    WorkArea,
    check_move,
    first_speed_of,
)
from swathe.station import MotionTable, Station

__all__ = ["FirstMove"]

Place = tuple[float | None, float | None]

_TURN_SECONDS = 0.01
# So long an encoder is watched before anything is commanded.
_WATCHED_NS = 200_000_000
_MARGIN_NS = 100_000_000
# A host that is held up all the time shows nothing.
_LONGEST_NS = 20_000_000_000
# Where there is no room for the whole length.
_SHARES = (1.0, 0.5)


@dataclass(slots=True)
class _Watched:
    """A short move under way: where everything was before it.

    Attributes:
        move: what is commanded.
        number: of its axis; 0 for scan, 1 for index.
        sign: direction of the command.
        encoder: positions of the encoders before it, mm.
        motor: position that the controller reported before it, mm.
        doubtful: times of the samples that are the first beyond the bounds; None before.
        beyond: how an encoder left the bounds; empty while none did.
    """

    move: ShortMove
    number: int
    sign: int
    encoder: Place
    motor: Point
    doubtful: tuple[int | None, int | None] | None = None
    beyond: str = ""


class FirstMove:
    """Moves each axis by a short way and compares it with what the encoders measure.

    Only what has an encoder can be compared; a mark of the journal states what was.

    Args:
        station: a station file with a table `[motion]`.
        session: its pipeline has the positions of the encoders.
        drive: the machine's port.
        homing: compares the position that the controller reports at rest with the encoders.
        recovery: takes what only a person can repair.
        host: knows when this machine was held up.
        area: returns where the machine moves.
        go: makes a move within all limits.
        say: called with progress in words.
        clock: host's monotonic clock, ns.
        sleep: waits, s.

    Attributes:
        done: it was made since the machine was last armed after a fault, and nothing was wrong.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        *,
        drive: Drive,
        homing: Homing,
        recovery: Recovery,
        host: HostWatch,
        area: Callable[[], WorkArea],
        go: Callable[[Move], Awaitable[None]],
        say: Callable[[str], None],
        clock: Callable[[], int] = time.monotonic_ns,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        assert station.motion is not None  # noqa: S101  made for such stations only
        self._station, self._session = station, session
        self._motion: MotionTable = station.motion
        self._drive, self._homing, self._recovery, self._host = drive, homing, recovery, host
        self._area, self._go, self._say = area, go, say
        self._clock, self._sleep = clock, sleep
        self._encoded = (True, station.index_encoded)
        self._watched: _Watched | None = None
        self.done = False

    def look(self) -> GuardFault | None:
        """Return how an encoder has left the bounds of the move under way; None if none did.

        A single sample may be wrong: the next one has to show it as well.
        """
        watched = self._watched
        if watched is None:
            return None
        if not (words := watched.move.beyond(self._moved(watched))):
            watched.doubtful = None
            return None
        times = self._session.pipeline.last_sample_times
        if watched.doubtful is None:
            watched.doubtful = times
        elif times != watched.doubtful:
            watched.beyond = words
            return GuardFault(Event.DISAGREEMENT, words)
        return None

    async def make(self) -> None:
        """Make the move on each axis.

        Raises:
            HaltedError: an encoder shows something else than what was commanded, or something else
                stopped it.
        """
        length = self._motion.guard.first_move
        if not length:
            self._record("no first move was made: motion.guard.first_move is 0", sound=False)
        else:
            self._say(f"first move: {self._station.display.stated_text(length)} on each axis")
            await self._keeps_still()
            axes = range(1 if self._station.index is None else 2)
            compared = [await self._axis(number, length) for number in axes]
            self._record(f"first move: {'; '.join(compared)}", sound=True)
        self.done = True

    async def _axis(self, number: int, length: float) -> str:
        """Move one axis and back; return what was compared. Wheels may slip once: it has a second try."""
        # A controller that has lost its position meanwhile would be moved from a wrong one.
        report = await self._drive.fresh()
        await self._homing.check_drift(report)
        finding, begin = None, report.place
        for is_last in (False, True):
            move = self._planned(number, (await self._drive.fresh()).place, length)
            self._watched = watched = self._watch(move, number)
            try:
                await self._go(move)
                await self._settled(watched)
            except HaltedError:
                await self._explain(watched)
                raise
            finally:
                self._watched = None
            moved = self._moved(watched)
            finding = watched.move.finding(moved)
            if finding is None:
                await self._return(begin)
                return watched.move.agreed(moved)
            if is_last or finding.certain:
                break
            self._say(f"{finding.text}; second try")
        assert finding is not None  # noqa: S101  else it returned
        self._record(finding.text, sound=False)
        raise self._failed(Event.DISAGREEMENT, finding.text, certain=finding.certain)

    async def _return(self, place: Point) -> None:
        """Go back to where the axis was, so that the raster begins where it was planned to begin."""
        here, limits = (await self._drive.fresh()).place, self._area().limits
        speed, acceleration = limits.path(here, place)
        await self._go(Move(MoveKind.TRANSFER, here, place, speed, acceleration, 0))
        await self._shown()

    def _planned(self, number: int, place: Point, length: float) -> Move:
        """Return a short move towards the plan, or away from what is near."""
        area = self._area()
        axis, limits = area.axes[number], area.limits.axes[number]
        low, high = axis.edges(0, axis.cells - 1)
        towards = 1 if place[number] < (low + high) / 2 else -1
        why: MotionError | None = None
        for share in _SHARES:
            speed = first_speed_of(self._station, area, number, share * length)
            for sign in (towards, -towards):
                end = list(place)
                end[number] += sign * share * length
                move = Move(
                    MoveKind.TRANSFER, place, (end[0], end[1]), speed, limits.acceleration, 0
                )
                try:
                    check_move(move, area.reach, area.zones, area.twist)
                except MotionError as error:
                    why = why or error
                else:
                    return move
        name = ("scan", "index")[number]
        text = f"no room for the first move of {name} (motion.guard.first_move): {why}"
        raise self._failed(Event.LIMIT_REFUSED, text)

    def _watch(self, move: Move | None, number: int) -> _Watched:
        """Begin to watch a move, or what moves before it."""
        station, report = self._station, self._drive.report
        axes = (station.scan, station.index)
        axis = axes[number]
        assert axis is not None  # noqa: S101  only an axis of the plan is moved
        length = 0.0 if move is None else move.distance
        sign = 1 if move is None or move.end[number] > move.start[number] else -1
        encoded = [each for each, is_so in zip(axes, self._encoded, strict=True) if is_so and each]
        return _Watched(
            ShortMove(
                axis=("scan", "index")[number],
                other=("index", "scan")[number] if self._encoded[1 - number] else "",
                length=length,
                encoded=self._encoded[number],
                tolerance=max(tolerance_of(length, each) for each in encoded),
                units=station.display,
            ),
            number,
            sign,
            self._session.pipeline.position,
            (0.0, 0.0) if report is None else report.place,
        )

    def _moved(self, watched: _Watched) -> Moved:
        """Return what a move has come to by now."""
        number, report = watched.number, self._drive.report
        place = watched.motor if report is None else report.place
        return Moved(
            watched.sign * (place[number] - watched.motor[number]),
            self._measured(watched, number),
            self._measured(watched, 1 - number),
        )

    def _measured(self, watched: _Watched, number: int) -> float | None:
        """Return by how much an encoder has moved, mm; None where it has no position."""
        begin, now = watched.encoder[number], self._session.pipeline.position[number]
        if not self._encoded[number] or begin is None or now is None:
            return None
        return watched.sign * (now - begin)

    async def _keeps_still(self) -> None:
        """See that no encoder moves before anything is commanded."""
        await self._shown()
        self._watched = self._watch(None, 0)
        try:
            end = self._clock() + _WATCHED_NS
            await self._until(end, lambda: self._sampled(end))
        finally:
            self._watched = None

    async def _settled(self, watched: _Watched) -> None:
        """Wait until the encoders have shown where the machine rests.

        At once where they agree with it, otherwise once all that may be late has come.
        """
        since, move = self._clock(), watched.move
        await self._until(
            since, lambda: self._sampled(since) and move.finding(self._moved(watched)) is None
        )

    async def _shown(self) -> None:
        """Wait until the encoders have been sampled from now on: what they show is no earlier place."""
        since = self._clock()
        await self._until(since, lambda: self._sampled(since))

    async def _until(self, since: int, shown: Callable[[], bool]) -> None:
        """Wait until something is shown, or until all that was sampled by a host time has come.

        Raises:
            HaltedError: something stopped the machine, or this one is too slow to know.
        """
        while not shown() and self._ran(since) <= self._patience:
            if self._clock() - since > _LONGEST_NS:
                words = self._host.words(since, self._clock())
                self._drive.trouble(Event.HOST_SLOW, words)
                raise HaltedError(words)
            await self._sleep(_TURN_SECONDS)
            if self._drive.machine.state is not State.ARMED:
                raise HaltedError(self._drive.machine.text)

    async def _explain(self, watched: _Watched) -> None:
        """See the machine to rest after a stop, and report what the move came to until then."""
        if self._drive.machine.cause not in (Event.DISAGREEMENT, Event.UNANSWERED):
            return
        await self._drive.rest()
        since = self._clock()
        while self._ran(since) <= self._patience:
            if self._clock() - since > _LONGEST_NS:
                return
            await self._sleep(_TURN_SECONDS)
        finding = watched.move.finding(self._moved(watched))
        certain = bool(watched.beyond) or (finding is not None and finding.certain)
        text = watched.beyond if finding is None else finding.text
        text = self._homing.lost_text(self._drive.report) or text
        if text:
            self._recovery.detail = text
            self._record(text, sound=False)
        if certain:
            self._recovery.hopeless = text

    def _sampled(self, since: int) -> bool:
        """Return whether each encoder has a sample of a later time."""
        times = self._session.pipeline.last_sample_times
        pairs = zip(times, self._encoded, strict=True)
        return all(time is not None and time >= since for time, encoded in pairs if encoded)

    def _ran(self, since: int) -> int:
        """Return for how long this machine has run since then, ns."""
        now = self._clock()
        return now - since - self._host.held_up(since, now)

    @property
    def _patience(self) -> int:
        """Time within which all that was sampled has come, ns."""
        delays = max(self._session.pipeline.delays.values(), default=0)
        return self._station.placing.lateness + delays + self._motion.guard.lag + _MARGIN_NS

    def _record(self, text: str, *, sound: bool) -> None:
        self._session.mark(MarkKind.FIRST_MOVE, sound=sound, text=text)

    def _failed(self, event: Event, text: str, *, certain: bool = True) -> HaltedError:
        """Stop, and return the error to raise."""
        if certain:
            self._recovery.hopeless = text
        self._drive.trouble(event, text)
        return HaltedError(text)
