"""What a run shows of its crawler: the facts for its state, and the message of the crawler."""

from __future__ import annotations

from collections.abc import Callable

from swathe.live.crawl.drive import Drive
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.resuming import Resuming
from swathe.live.run_state import CrawlerFacts
from swathe.live.session import Session
from swathe.messages import CrawlerFault, CrawlerMessage, Heading, moment
from swathe.motion import MOVING_STATES, Event, State

__all__ = ["CrawlerView"]

_ARMED = (State.ARMED, *MOVING_STATES)
# After a stop is sent motion may still be on until the machine is known to be at rest.
_MAYBE_MOVING = (*MOVING_STATES, State.STOPPING, State.FAILING)
_HALTED = (State.FAILING, State.STOPPING, State.FAULTED, State.STOPPED)


class CrawlerView:
    """Collects what is known of the crawler.

    Args:
        session: its pipeline has the encoder's position.
        drive: the machine's port.
        recovery: what follows a halt.
        resuming: who may let it continue.
        doing: returns what it does, in words.
        raster: returns how many lines of the raster are begun, and how many there are; None outside
            of it.
        index_encoded: whether the index axis has an encoder.
    """

    def __init__(
        self,
        session: Session,
        *,
        drive: Drive,
        recovery: Recovery,
        resuming: Resuming,
        doing: Callable[[], str],
        raster: Callable[[], tuple[int, int] | None],
        index_encoded: bool,
    ) -> None:
        self._session, self._drive = session, drive
        self._recovery, self._resuming = recovery, resuming
        self._doing, self._raster = doing, raster
        self._index_encoded = index_encoded

    @property
    def facts(self) -> CrawlerFacts:
        """What the state of the run depends on."""
        machine = self._drive.machine
        halted = machine.state in _HALTED
        return CrawlerFacts(
            doing=self._words,
            why=self._why if halted else "",
            faulted=halted and machine.cause not in (None, Event.STOP_ASKED),
            waits_for=self._recovery.waits_for,
            todo=self._resuming.todo,
        )

    @property
    def _words(self) -> str:
        """What it does; why it was stopped is over once it continues, all of it with the run."""
        if self._drive.machine.state is State.ENDED:
            return str(State.ENDED)
        words, why = self._doing(), self._recovery.why
        if why and words.startswith(why) and self._drive.machine.state not in _HALTED:
            return "continuing"
        return words

    @property
    def _why(self) -> str:
        """Why it was stopped: with what was found at rest, once that is known."""
        machine = self._drive.machine
        if self._recovery.waits_for:
            return self._recovery.why
        cause = machine.cause or machine.state
        return f"stopped: {cause}: {machine.text}" if machine.text else f"stopped: {cause}"

    def message(self, heading: Heading) -> CrawlerMessage:
        """Return the message of the crawler."""
        drive, machine = self._drive, self._drive.machine
        driven = machine.state in MOVING_STATES
        report, target = drive.report, drive.target if driven else {}
        scan, index = self._session.pipeline.position
        line, lines = self._raster() or (None, None)
        return CrawlerMessage.model_validate(
            {
                **heading,
                "state": str(machine.state),
                "since": self._utc(drive.state_since),
                "armed": machine.state in _ARMED,
                "moving": machine.state in _MAYBE_MOVING,
                "doing": self._words,
                "todo": self._resuming.todo,
                "fault": self._fault(),
                "resume_from": self._resuming.places,
                "target_scan": target.get("scan"),
                "target_index": target.get("index"),
                "motor_scan": None if report is None else report.place[0],
                "motor_index": None if report is None else report.place[1],
                "encoder_scan": scan,
                "encoder_index": index if self._index_encoded else None,
                "line": line,
                "lines": lines,
            }
        )

    def _fault(self) -> CrawlerFault | None:
        machine, evidence = self._drive.machine, self._drive.evidence
        if machine.cause in (None, Event.STOP_ASKED):
            return None
        text = self._recovery.why.partition(f"{machine.cause}: ")[2]
        return CrawlerFault(
            cause=str(machine.cause),
            text=(text if self._recovery.waits_for else "") or machine.text,
            measured=evidence.measured,
            limit=evidence.limit,
            unit=evidence.unit,
            likely=evidence.likely,
            since=self._utc(self._drive.caused_at),
        )

    def _utc(self, host: int) -> object:
        return moment(host + self._session.pipeline.utc_offset)
