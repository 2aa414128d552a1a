"""Who lets a crawler continue after it has stopped, and from where."""

from __future__ import annotations

from swathe.journal import MarkKind
from swathe.live.crawl.checking import CrawlCheck
from swathe.live.crawl.drive import Drive
from swathe.live.crawl.homing import Homing
from swathe.live.crawl.recovery import Recovery
from swathe.live.origin import Origin
from swathe.live.run_state import WaitsFor
from swathe.live.session import Session
from swathe.pipeline import CRAWLER
from swathe.station import MotionTable

__all__ = ["Resuming"]

_WORDS = {
    "station": "press g at the station's terminal",
    "page": "Resume on the page",
    "mqtt": "the command 'resume' over MQTT",
}
_PLACES = {Origin.PAGE: "page", Origin.MQTT: "mqtt"}


class Resuming:
    """Lets a crawler continue: at the station always, from afar where the station file allows it.

    Args:
        motion: the station's table.
        session: journals marks.
        drive: knows whether the machine is seen to rest.
        homing: knows whether the position is right.
        recovery: waits for a person.
        checking: the calibration checks.
    """

    def __init__(
        self,
        motion: MotionTable,
        session: Session,
        *,
        drive: Drive,
        homing: Homing,
        recovery: Recovery,
        checking: CrawlCheck,
    ) -> None:
        self._motion, self._session = motion, session
        self._drive, self._homing = drive, homing
        self._recovery, self._checking = recovery, checking

    def go_on(self, by: str) -> str:
        """A person at this machine has seen to the cause and lets it go on; return what was done."""
        if self._checking.in_hands:
            return "refused: a calibration check is in progress: finish it, or give it up"
        done = self._recovery.go_on(by)
        pauses = self._session.pipeline.pauses
        if not done.startswith("refused") and pauses.active and pauses.by != CRAWLER:
            self._end_pause(by)
        return done

    def resume(self, by: str, origin: Origin = Origin.TERMINAL) -> str:
        """Let a stopped crawler continue where that is allowed from there, or else end a pause.

        To end a pause moves nothing: readings count once the crawler knows where it is.

        Args:
            by: who.
            origin: from where; at the terminal the key 'g' lets the crawler continue.
        """
        waits = self._recovery.waits_for is WaitsFor.PERSON
        place, pauses = _PLACES.get(origin, "station"), self._session.pipeline.pauses
        refusal = ""
        if waits and place != "station":
            if not (refusal := self._refusal(place)):
                return self.go_on(by)
        elif waits:
            refusal = _WORDS["station"]
        if pauses.active and pauses.by != CRAWLER:
            done = self._end_pause(by)
            return f"{done}; the crawler itself still rests: {refusal}" if refusal else done
        if refusal:
            return f"refused: the crawler rests: {refusal}"
        if pauses.active:
            return "refused: the crawler ends its own pause, once it knows where it is"
        return "refused: not paused"

    def end_pause(self, by: str) -> str:
        """End a person's pause, which moves nothing; return what was done."""
        if self._session.pipeline.pauses.by == CRAWLER:
            return "refused: the crawler ends its own pause, once it knows where it is"
        return self._end_pause(by)

    def _end_pause(self, by: str) -> str:
        if self._homing.done:
            self._session.mark(MarkKind.RESUMED, by=by)
            return "continuing"
        self._session.mark(MarkKind.PAUSED, by=CRAWLER, because=f"homing, let go on by {by}")
        return "continuing: readings count once the crawler knows where it is"

    def _refusal(self, place: str) -> str:
        """Return why nobody lets it continue from a place, and who may; empty where somebody does."""
        here = _WORDS["station"]
        if place not in self._motion.resume_from:
            return (
                f"{here}; 'motion.resume_from' of the station file does not name {place!r}, so it "
                "does not continue from here"
            )
        if why := self._only_here:
            return f"{here}: {why}"
        return ""

    @property
    def _only_here(self) -> str:
        """Why only a person who sees the crawler may let it continue, whatever the station file says."""
        if self._recovery.hopeless:
            return "what stopped it is found at the machine only"
        if not self._drive.rests:
            return "it is not known to be at rest"
        return ""

    @property
    def places(self) -> tuple[str, ...]:
        """From where it may be resumed now: station, page, mqtt."""
        return ("station",) if self._only_here else self._motion.resume_from

    @property
    def todo(self) -> str:
        """What a person has to do before it continues; empty where it waits for nobody."""
        match self._recovery.waits_for:
            case WaitsFor.DEAD_MAN:
                return "hold the dead man's control, which sends 'alive'"
            case WaitsFor.PERSON if self._checking.in_hands:
                return "finish the calibration check, or give it up"
            case WaitsFor.PERSON:
                ways = ", or ".join(_WORDS[place] for place in self.places)
                return f"see to the cause, and when everybody is clear of it: {ways}"
        return ""
