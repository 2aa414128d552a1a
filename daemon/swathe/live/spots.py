"""Reading spots by hand: which one is next, commands at it, and a steady reading taken by itself."""

from __future__ import annotations

import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.live.mirror import Mirror
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.messages import Heading, SpotMessage, SpotsMessage, Topics, moment
from swathe.pipeline import Pipeline, Spot, SpotNowSnapshot, SpotState, SurveySpots, spot_now
from swathe.pipeline.progress.fields import number_text

__all__ = ["SpotWork"]

# What is to be read and what the gauge reads are published this often.
_INTERVAL_NS = 250_000_000


class SpotWork:
    """Leads from spot to spot in one run, and journals what is read.

    Args:
        session: whose journal takes the marks; its survey has a plan of spots.
        mirror: takes the messages.
        clock: host's monotonic clock, ns.
    """

    def __init__(
        self, session: Session, mirror: Mirror, *, clock: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._session = session
        self._mirror = mirror
        self._clock = clock
        self._chosen: int | None = None
        self._due = 0
        self._published: Pipeline | None = None  # whose spots were all published

    @property
    def _pipeline(self) -> Pipeline:
        return self._session.pipeline

    @property
    def _spots(self) -> SurveySpots:
        spots = self._pipeline.spots
        assert spots is not None  # noqa: S101  there is work at spots only with a plan of them
        return spots

    @property
    def chosen(self) -> Spot | None:
        """The spot that is to be read; None when none is left."""
        if self._chosen is None:
            self._chosen = self._spots.next_after(-1)
        return None if self._chosen is None else self._spots.register.spots[self._chosen]

    @property
    def text(self) -> str:
        """Which spot is next, and how many are done, in a line."""
        count = len(self._spots.register.spots)
        return f"{self._named()}; {self._spots.done} of {count} done"

    def state(self) -> SpotNowSnapshot:
        """Return the spot that is to be read, and what the gauge reads now."""
        chosen = self.chosen
        number = None if chosen is None else chosen.number
        return spot_now(self._spots, self._pipeline.station, number, self._clock())

    def step(self, step: int) -> str:
        """Choose the spot so many further in the plan; return which."""
        spots = self._spots.register.spots
        number = -1 if self._chosen is None else self._chosen
        self._chosen = (number + step) % len(spots)
        return self._named()

    def skip(self) -> str:
        """Choose the next spot that is to be done, and leave this one; return which."""
        number = -1 if self._chosen is None else self._chosen
        self._chosen = self._spots.next_after(number)
        return self._named()

    def choose(self, name: str) -> str:
        """Choose a spot by its name; return which, or why not."""
        spot = self._spots.register.named(name)
        if spot is None:
            return self._unknown(name)
        self._chosen = spot.number
        return self._named()

    def _named(self) -> str:
        spot = self.chosen
        return "no spot is left" if spot is None else f"next: {spot.name}"

    def _unknown(self, name: str) -> str:
        return f"{REFUSED}there is no spot {name!r}"

    def _meant(self, name: str | None) -> Spot | str:
        """Return the spot of a name, or the one to be read without a name; or why there is none."""
        if name is None:
            return self.chosen or f"{REFUSED}no spot is left: name the one that is meant"
        return self._spots.register.named(name) or self._unknown(name)

    def take(self, by: str, name: str | None = None) -> str:
        """Take what the gauge reads now as a reading of a spot; return what came of it, or why not.

        Args:
            by: who takes it.
            name: of the spot; by default the one that is to be read.
        """
        spot = self._meant(name)
        if isinstance(spot, str):
            return spot
        if spot.state is SpotState.CLOSED:
            return f"{REFUSED}{spot.name} is closed: {spot.because}; reopen it to read it"
        if self._pipeline.pauses.active:
            return f"{REFUSED}paused by {self._pipeline.pauses.by}"
        now = self._spots.coupling_now(self._clock())
        if not now.enough:
            return f"{REFUSED}{now.reason}"
        if self._spots.register.settings.lift_required and not now.lifted:
            return (
                f"{REFUSED}the probe was not lifted since the last reading was taken: lift it, "
                "and put it on again"
            )
        before = len(spot.couplings)
        link = self._pipeline.link_of()
        self._session.mark(
            MarkKind.SPOT_READ,
            spot=spot.name,
            first=now.first,
            last=now.last,
            received=0 if link is None else link.received,
            by=by,
        )
        spot = self._spots.register.spots[spot.number]
        if len(spot.couplings) == before:
            return f"{REFUSED}the readings are gone: hold the probe still and try again"
        return self._result(spot)

    def _result(self, spot: Spot) -> str:
        """Return what came of the newest reading of a spot, and which one is next."""
        snapshot = self._pipeline.spot_snapshot(spot)
        newest = snapshot.couplings[-1]
        units = self._pipeline.station.display
        value, spread, difference = (
            units.with_unit(number_text(one, name, units))
            for one, name in ((newest, "value"), (newest, "spread"), (snapshot, "difference"))
        )
        value = f"{value}, spread {spread}"
        if spot.state is SpotState.DONE and not self._spots.is_to_do(spot):
            self._chosen = self._spots.next_after(spot.number)
            return f"{spot.name}: {value}; {self._named()}"
        if newest.state == "jumpy":
            return f"{spot.name} JUMPY: {value}; it stays open: read it again, or accept it"
        if spot.state is SpotState.JUMPY:
            return (
                f"{spot.name} JUMPY: {value}, its readings differ by "
                f"{difference}; it stays open: read it again, or accept it"
            )
        if spot.state is SpotState.DONE:
            return f"{spot.name}: {value}; SUSPECT, as a calibration check failed"
        left = snapshot.required - snapshot.counted
        return f"{spot.name}: {value}; lift the probe and read it again, {left} more"

    def accept(self, by: str, because: str, name: str | None = None) -> str:
        """Let the readings of a jumpy spot count; return what was done or why not."""
        spot = self._meant(name)
        if isinstance(spot, str):
            return spot
        if spot.state is not SpotState.JUMPY:
            return f"{REFUSED}{spot.name} is {spot.state}: only a jumpy spot is accepted"
        return self._decide(MarkKind.SPOT_ACCEPTED, spot, "accepted", by, because)

    def close(self, by: str, because: str, name: str | None = None) -> str:
        """Close a spot at which no reading is possible; return what was done or why not."""
        spot = self._meant(name)
        if isinstance(spot, str):
            return spot
        if spot.state in (SpotState.DONE, SpotState.CLOSED):
            return f"{REFUSED}{spot.name} is {spot.state}: reopen it first"
        return self._decide(MarkKind.SPOT_CLOSED, spot, "closed", by, because)

    def _decide(self, kind: MarkKind, spot: Spot, done: str, by: str, because: str) -> str:
        self._session.mark(kind, spot=spot.name, by=by, because=because)
        if not self._spots.is_to_do(spot):
            self._chosen = self._spots.next_after(spot.number)
        return f"{spot.name} {done} by {by}: {because}; {self._named()}"

    def reopen(self, by: str, because: str, name: str | None = None) -> str:
        """Have a spot read again: what was read there counts no more; return what was done."""
        spot = self._meant(name)
        if isinstance(spot, str):
            return spot
        if not spot.couplings and spot.state is SpotState.OPEN:
            return f"{REFUSED}{spot.name} has not been read yet"
        self._session.mark(MarkKind.SPOT_REOPENED, spot=spot.name, by=by, because=because)
        self._chosen = spot.number
        return f"{spot.name} is to be read again: what was read there counts no more"

    @property
    def last_read(self) -> Spot | None:
        """The spot that was read last in this survey; None before any."""
        read = [spot for spot in self._spots.register.spots if spot.couplings]
        return max(read, key=lambda spot: spot.couplings[-1].number, default=None)

    def advance(self) -> str:
        """Take a steady reading by itself, where the plan says so, and publish; return what came.

        Empty where nothing was taken.
        """
        taken = ""
        settings, spot = self._spots.register.settings, self.chosen
        if settings.auto and spot is not None and self._spots.is_to_do(spot):
            now = self._spots.coupling_now(self._clock())
            # A lift shows that the probe was moved: without one it is the place that was read.
            if now.steady and now.lifted and not self._pipeline.pauses.active:
                operator = self._pipeline.station.survey.operator
                taken = self.take(f"{operator}, automatic" if operator else "automatic")
        self._publish()
        return taken

    def _publish(self) -> None:
        pipeline, register = self._pipeline, self._spots.register
        topics = Topics(pipeline.station.name)
        heading: Heading = {
            "station": pipeline.station.name,
            "survey": pipeline.survey,
            "time": moment(pipeline.time),
        }
        changed = register.take_changed()
        if self._published is not pipeline:  # at the start, and after it was placed again
            self._published, changed = pipeline, register.spots
        for spot in changed:
            message = SpotMessage.of(pipeline.spot_snapshot(spot), heading)
            self._mirror.put(topics.spot(spot.number + 1), message)
        if (now := self._clock()) >= self._due or changed:
            self._due = now + _INTERVAL_NS
            self._mirror.put(topics.spots, SpotsMessage.of(self.state(), heading))
