"""What a run does, as one state: decided from facts alone, and the same for every output.

State topic, page, terminal, `swathe watch`, the alarm of the crawler and the exit code follow from
what this module returns; nothing else decides whether a run scans, waits or has failed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from swathe.messages import RunState
from swathe.pipeline import CRAWLER

__all__ = ["CrawlerFacts", "DecidedState", "RunFacts", "WaitsFor", "decide_state"]


_GIVE_PLACE = (
    "rest the probe on a known place and give it: i at the station, I am at on the page, or the "
    "command 'reference'"
)


class WaitsFor(StrEnum):
    """What a crawler waits for."""

    NOTHING = ""
    PERSON = "a person"
    """It continues only when a person lets it."""
    DEAD_MAN = "a sign of life"
    """The dead man's control has given none yet."""
    HOST = "this computer"
    DISK = "the disk"
    PORTS = "ports"


@dataclass(frozen=True, slots=True)
class CrawlerFacts:
    """What is known of a crawler that may move in this run.

    Attributes:
        doing: what it does, in words.
        why: why it was stopped; empty where it was not.
        faulted: whether a fault stopped it, and nobody has let it go on since.
        waits_for: what it waits for.
        todo: what a person has to do before it continues.
    """

    doing: str = ""
    why: str = ""
    faulted: bool = False
    waits_for: WaitsFor = WaitsFor.NOTHING
    todo: str = ""


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What the state of a run that is neither resuming nor over depends on.

    Attributes:
        doing: what the run does, in words; empty where there is nothing to add to the state.
        paused_by: who paused it; empty while it is not paused.
        because: the reason of the pause.
        check: what is to be done for a calibration check in progress; empty without one.
        lost: axes on which the position is lost, which no crawler finds again by itself.
        crawler: of the crawler; None where nothing moves by itself.
    """

    doing: str = ""
    paused_by: str = ""
    because: str = ""
    check: str = ""
    lost: tuple[str, ...] = ()
    crawler: CrawlerFacts | None = None


@dataclass(frozen=True, slots=True)
class DecidedState:
    """The state of a run; fields as in `StateMessage`."""

    state: RunState
    reason: str = ""
    by: str = ""
    todo: str = ""


def decide_state(facts: RunFacts) -> DecidedState:
    """Return the state of a run.

    What needs a person comes before what does not, and a fault before a pause. A pause by a person
    is a pause also where it stopped the crawler: who paused is whom to ask.
    """
    crawler, paused = facts.crawler, bool(facts.paused_by)
    by_person = paused and facts.paused_by != CRAWLER
    if crawler is not None:
        needs_person = crawler.waits_for in (WaitsFor.PERSON, WaitsFor.DEAD_MAN)
        if needs_person and (crawler.faulted or not by_person):
            return DecidedState("waiting", crawler.why or crawler.doing, todo=crawler.todo)
        if crawler.faulted:
            return DecidedState("faulted", _faulted_text(crawler))
    if paused:
        return DecidedState("paused", _pause_text(facts), by=facts.paused_by, todo=_todo(facts))
    if facts.lost and crawler is None:
        reason = f"{' and '.join(facts.lost)} position is lost: readings count for no cell"
        return DecidedState("waiting", reason, todo=_GIVE_PLACE)
    return DecidedState("scanning", facts.doing)


def _faulted_text(crawler: CrawlerFacts) -> str:
    if crawler.waits_for is WaitsFor.NOTHING:
        return crawler.why or crawler.doing
    return f"{crawler.why or crawler.doing}; waiting for {crawler.waits_for}"


def _pause_text(facts: RunFacts) -> str:
    if facts.because:
        return f"{facts.because} ({facts.paused_by})"
    return f"by {facts.paused_by}"


def _todo(facts: RunFacts) -> str:
    """Return what ends a pause; nothing where the crawler ends its own."""
    if facts.check:
        return facts.check
    if facts.crawler is not None and facts.crawler.waits_for is WaitsFor.PERSON:
        return facts.crawler.todo
    if facts.paused_by == CRAWLER:
        return ""
    return "resume: the space key at the station, Resume on the page, or the command 'resume'"
