"""The guards: what must hold while the crawler moves, looked at every few milliseconds."""

from __future__ import annotations

from collections.abc import Callable

from swathe.live.crawl.encoder_watch import EncoderWatch
from swathe.live.crawl.evidence import Evidence, GuardFault
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_report import MachineReport
from swathe.motion import MOVING_STATES, Event, State
from swathe.pipeline import CRAWLER, Pipeline
from swathe.station import Station

__all__ = ["WATCHED_STATES", "Guards"]

WATCHED_STATES = (State.ARMED, State.HOMING, State.MOVING)
"""States in which the guards must hold."""

_OF_HEARTBEAT = "whoever holds the dead man's switch let it go, or is out of reach of the network"
_OF_PORT = "cable, adapter or power of the device"


class Guards:
    """Compares machine and encoder, and checks that ports and dead man's switch are alive.

    Args:
        station: a station file with a table `[motion]`.
        pipeline: returns the pipeline.
        host: knows when this machine was held up.

    Attributes:
        alive: host time of the last sign of life of the dead man, ns; None before the first.
        encoder_lost: a port of an encoder was lost since this was set to False.
        referenced: motor and encoder were brought into agreement, and can be compared.
    """

    def __init__(self, station: Station, pipeline: Callable[[], Pipeline], host: HostWatch) -> None:
        assert station.motion is not None  # noqa: S101  a crawl is made for such stations only
        self._guard = station.motion.guard
        self._pipeline = pipeline
        self._devices = tuple(station.device)
        index = station.index
        self._encoders = {station.scan.device}
        self._index_encoded = station.index_encoded
        if index is not None and self._index_encoded:
            self._encoders.add(index.device)
        self._encoder = EncoderWatch(station, self._guard, host)
        self.alive: int | None = None
        self.encoder_lost = False
        self.referenced = False

    def look(
        self,
        now: int,
        state: State,
        *,
        since: int,
        driven: frozenset[str],
        report: MachineReport | None,
    ) -> GuardFault | None:
        """Return what is wrong, None if nothing is; the gravest first.

        Args:
            now: host time, ns.
            state: of the machine.
            since: host time at which it was entered, ns.
            driven: axes that it moves in that state, if it moves.
            report: newest report of the machine.
        """
        if state not in MOVING_STATES:
            driven = frozenset()
        self._encoder.note(now, driven, self._pipeline(), report)
        lost = self._lost_port()
        if state not in WATCHED_STATES:
            return None
        if lost is not None:
            return GuardFault(Event.PORT_LOST, lost, Evidence(likely=_OF_PORT))
        if (overdue := self.heartbeat_overdue(now)) is not None:
            return self._without_heartbeat(now, overdue)
        pauses = self._pipeline().pauses
        if pauses.active and pauses.by != CRAWLER:
            return GuardFault(Event.STOP_ASKED, f"paused by {pauses.by}")
        if (silence := self._encoder.silence(now, driven)) is not None:
            return silence
        if lost_axes := self._pipeline().lost_axes:
            self.encoder_lost = True
            if state is State.MOVING:
                text = f"the encoder's position is lost: {', '.join(lost_axes)}"
                return GuardFault(Event.DISAGREEMENT, text)
        if state is State.MOVING and self.referenced:
            return self._encoder.apart(since)
        return None

    def _without_heartbeat(self, now: int, overdue: str) -> GuardFault:
        """Return the fault of a sign of life that did not come."""
        limit = (self._guard.heartbeat or 0) / 1e6
        passed = None if self.alive is None else (now - self.alive) / 1e6
        evidence = Evidence(passed, limit, "ms", _OF_HEARTBEAT)
        return GuardFault(Event.HEARTBEAT_LOST, overdue, evidence)

    def heartbeat_overdue(self, now: int) -> str | None:
        """Return what is wrong with the dead man's sign of life; None if nothing is."""
        limit = self._guard.heartbeat
        if limit is None:
            return None
        if self.alive is None:
            return "no sign of life yet"
        if now - self.alive <= limit:
            return None
        return f"no sign of life for {(now - self.alive) / 1e9:.1f} s"

    def drift(self, report: MachineReport) -> tuple[float, float]:
        """Return by how much the motors' place is off the encoder's, scan and index in mm.

        Where an axis has no encoder it is 0.
        """
        scan, index = self._pipeline().position
        off = report.place[0] - scan if scan is not None else 0.0
        across = report.place[1] - index if index is not None and self._index_encoded else 0.0
        return off, across

    def forget(self) -> None:
        """Motor or encoder positions were reset: earlier samples are no longer compared."""
        self._encoder.forget()

    def _lost_port(self) -> str | None:
        tallies = self._pipeline().tallies
        for name in self._devices:
            tally = tallies.get(name)
            if tally is None or tally.state != "open":
                self.encoder_lost |= name in self._encoders
                return f"{name}: {tally.detail if tally is not None else 'not open'}"
        return None

    @property
    def encoders(self) -> set[str]:
        """Names of the encoders' devices."""
        return {name for name in self._encoders if name is not None}

    @property
    def all_open(self) -> bool:
        """Whether every device's port is open."""
        return self._lost_port() is None
