"""Homing: the machine finds its reference, the encoder is set by it, and both are compared."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.missing import homing_order
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.restarts import LOST, reports_zero
from swathe.live.session import Session
from swathe.motion import Event, Point, State, WorkArea
from swathe.pipeline import CRAWLER
from swathe.station import MotionTable, Station, motion_codec

__all__ = ["DriftError", "Homing"]

_NS = 1e9
_TURN_SECONDS = 0.01
# Half a row away from its line the probe would scan the next one.
_ROW_SHARE = 0.25


class DriftError(Exception):
    """Motor and encoder have drifted apart, not yet too far: home, then plan again."""


class Homing:
    """Finds the reference, and keeps motor and encoder together.

    Args:
        station: a station file with a table `[motion]`.
        session: where what was found is journalled.
        drive: the machine's port.
        guards: who compares motor and encoder.
        recovery: takes what only a person can repair.
        say: called with progress in words.
        area: returns where the machine moves.

    Attributes:
        place: of the reference, (scan, index) in mm; None before the first homing.
        done: motor and encoder agree, and nothing has happened since that parts them.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        *,
        drive: Drive,
        guards: Guards,
        recovery: Recovery,
        say: Callable[[str], None],
        area: Callable[[], WorkArea],
    ) -> None:
        assert station.motion is not None  # noqa: S101  made for such stations only
        self._station, self._session = station, session
        self._motion: MotionTable = station.motion
        self._drive, self._guards, self._recovery = drive, guards, recovery
        self._say, self._area = say, area
        self.place: Point | None = None
        self.done = False

    @property
    def sets_encoder(self) -> bool:
        """Whether the encoder's counts mean nothing before the reference was found."""
        return self._motion.homing.sets_encoder and bool(self._motion.homing.axes)

    def lost_encoder(self) -> None:
        """The encoder may have lost its counts: readings count for no cell until it is referenced again."""
        self.done = False
        self.pause("the encoder was away")

    async def find(self) -> None:
        """Home all axes; the first time the encoder's position is set by the reference.

        Readings count for no cell meanwhile and until `resume`, and the way there is no scan.

        Raises:
            HaltedError: something stopped it, or the encoder is not where it should be.
        """
        homing, guards = self._motion.homing, self._guards
        guards.forget()
        if not homing.axes:
            self._compare("the machine can't be homed")
            return
        sets = self.sets_encoder and (not guards.referenced or guards.encoder_lost)
        order = self._order(await self._drive.fresh())
        self.pause("homing")
        self._say(f"homing: {', '.join(order)}")
        for axis in order:
            await self._drive.home(axis)
        self.place = (await self._drive.fresh()).place
        await self.settled()
        if sets:
            known = {"scan": self.place[0]}
            if self._station.index_encoded:
                known["index"] = self.place[1]
            self._session.mark(MarkKind.REFERENCED, **known, by=CRAWLER)
        self._compare("after homing")

    def _order(self, report: MachineReport) -> tuple[str, ...]:
        guards = self._guards
        starts = [report.place]
        # The probe is where one of the two reports it, unless the encoder has lost its counts.
        if guards.referenced and not guards.encoder_lost:
            off = guards.drift(report)
            starts.append((report.place[0] - off[0], report.place[1] - off[1]))
        order = homing_order(self._motion.homing.axes, starts, self._known, self._area().zones)
        if order is None:
            text = (
                "the reference can't be reached clear of the excluded zones from where the machine "
                "reports to be: move it by hand, or home it at its own controls"
            )
            self._drive.trouble(Event.LIMIT_REFUSED, text)
            raise HaltedError(text)
        return order

    @property
    def _known(self) -> Point | None:
        """Where the reference is: as found in this run, or in one before it."""
        if self.place is not None:
            return self.place
        scan, index = self._session.pipeline.crawler.reference
        if self._station.index is None:
            index = 0.0
        return None if scan is None or index is None else (scan, index)

    def _compare(self, when: str) -> None:
        """Motor and encoder must agree at rest: from now on each watches the other."""
        report, pipeline = self._drive.report, self._session.pipeline
        off = (0.0, 0.0) if report is None else self._guards.drift(report)
        words = ""
        if pipeline.position[0] is None:
            words = "the encoder has no position"
        elif max(map(abs, off)) > self._motion.guard.disagreement:
            words = f"the encoder is {self._offsets(off)} off"
            if self._guards.referenced:
                words += ": what was scanned since it was last right is suspect"
        if words:
            self._recovery.hopeless = f"{when} {words}"
            self._drive.trouble(Event.DISAGREEMENT, f"{when} {words}")
            raise HaltedError(words)
        self._guards.forget()
        self._guards.encoder_lost = False
        self._guards.referenced = self.done = True

    async def settled(self) -> None:
        """Wait until what was read on the way has come, is placed and judged."""
        delays = max(self._session.pipeline.delays.values())
        await asyncio.sleep((self._station.placing.lateness + delays) / _NS + 0.1)

    async def check_drift(self, report: MachineReport) -> None:
        """Compare motor and encoder at rest; samples that are under way are given time to arrive.

        Raises:
            DriftError: they are a little apart.
            HaltedError: they are too far apart, or something else stopped it.
        """
        guard, row = self._motion.guard, self._station.index_axis.resolution
        most = (guard.disagreement / 2, min(guard.disagreement / 2, _ROW_SHARE * row))
        limit = time.monotonic() + guard.lag / _NS + 0.1
        while True:
            off = self._guards.drift(report)
            if all(abs(each) <= allowed for each, allowed in zip(off, most, strict=True)):
                return
            if self._drive.machine.state is not State.ARMED:
                raise HaltedError(self._drive.machine.text)
            if time.monotonic() > limit:
                break
            await asyncio.sleep(_TURN_SECONDS)
        text = f"motor and encoder are {self._offsets(off)} apart"
        if max(map(abs, off)) > guard.disagreement:
            self._drive.trouble(Event.DISAGREEMENT, self.lost_text(report) or text)
            raise HaltedError(text)
        raise DriftError(text)

    def lost_text(self, report: MachineReport | None) -> str:
        """Return that the controller has lost its position, if its report at rest shows that.

        Args:
            report: newest of the machine.
        """
        if report is None or not reports_zero(report, motion_codec(self._motion).axes):
            return ""
        off = self._guards.drift(report)
        if max(map(abs, off)) <= self._motion.guard.disagreement:
            return ""
        apart = f"motor and encoder are {self._offsets(off)} apart"
        return f"{LOST}: it reports its zero, and {apart}"

    def _offsets(self, off: tuple[float, float]) -> str:
        """Return the differences of both axes."""
        units = self._station.display
        scan, index = (units.with_unit(units.number(each, 1, sign=True)) for each in off)
        return f"{scan} (scan), {index} (index)"

    def pause(self, because: str) -> None:
        """Let readings count for no cell, as nobody knows where they were taken."""
        if not self._session.pipeline.pauses.active:
            self._session.mark(MarkKind.PAUSED, by=CRAWLER, because=because)

    def pause_from_start(self, because: str) -> None:
        """Let nothing count that this run reads; a pause that an earlier run left is not changed.

        It needs no pipeline: the survey may not be resumed yet.
        """
        self._session.mark(MarkKind.PAUSED, by=CRAWLER, because=because, from_start=True)

    def resume(self) -> None:
        """Let readings count again, where the crawler itself has paused them."""
        pauses = self._session.pipeline.pauses
        if pauses.active and pauses.by == CRAWLER:
            self._session.mark(MarkKind.RESUMED, by=CRAWLER)
