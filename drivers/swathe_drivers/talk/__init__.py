"""What is sent to a device: commands at start and stop, requests by the clock, keep-alive.

`TalkSettings` is the table `talk` of a description; `make_schedule` makes of it, and of what the
driver asks for by itself, the `Schedule` that a `PortReader` follows. `make_polling` makes of the same
what there is to know for matching answers with their requests.
"""

from dataclasses import dataclass

from swathe_drivers.abc import AskingDriver, Driver
from swathe_drivers.talk.answers import (
    UNKNOWN_QUIET_NS,
    AnswerFinder,
    EndsWith,
    Quiet,
    SoMany,
)
from swathe_drivers.talk.echo import EchoFinder
from swathe_drivers.talk.schedule import Request, Schedule
from swathe_drivers.talk.settings import AnswerEnd, TakenAt, TalkSettings, to_bytes
from swathe_drivers.units import nanoseconds

__all__ = [
    "AnswerFinder",
    "EndsWith",
    "Polling",
    "Quiet",
    "Request",
    "Schedule",
    "SoMany",
    "TakenAt",
    "TalkSettings",
    "make_polling",
    "make_schedule",
]


@dataclass(frozen=True, slots=True)
class Polling:
    """How the answers of a polled device belong to what it is sent.

    Attributes:
        taken_at: the moment of an answer.
        commands: what is sent to it and is no request: no record answers these.
    """

    taken_at: TakenAt
    commands: frozenset[bytes] = frozenset()


def make_polling(driver: Driver, talk: TalkSettings | None) -> Polling | None:
    """Return how answers belong to requests; None where records also come without a request.

    Args:
        driver: may ask by itself; see `AskingDriver`.
        talk: the table of the user; None without one.
    """
    schedule = make_schedule(driver, talk)
    talk = talk or TalkSettings()
    if talk.unasked or schedule is None or not schedule.asks:
        return None
    return Polling(talk.taken_at or TakenAt.BETWEEN, schedule.commands)


def make_schedule(driver: Driver, talk: TalkSettings | None) -> Schedule | None:
    """What is sent to a device of this driver; None if nothing is.

    Args:
        driver: may ask by itself, and know where an answer ends; see `AskingDriver`.
        talk: the table of the user; None without one.
    """
    asking = driver if isinstance(driver, AskingDriver) else None
    requests = list(asking.requests()) if asking is not None else []
    if talk is None and not requests:
        return None
    talk = talk or TalkSettings()
    for poll in talk.poll:
        requests.append(_fixed(to_bytes(poll.send), round(nanoseconds(poll.every))))
    answers: AnswerFinder | None = None
    if talk.answer is not None:
        answers = _finder(talk.answer)
    elif asking is not None:
        answers = asking.answers()
    answers = answers or Quiet(UNKNOWN_QUIET_NS)
    return Schedule(
        answers=EchoFinder(answers) if talk.echo else answers,
        start=[to_bytes(text) for text in talk.start],
        stop=[to_bytes(text) for text in talk.stop],
        pause_ns=round(nanoseconds(talk.pause)),
        requests=requests,
        timeout_ns=round(nanoseconds(talk.timeout)),
        keep_alive=(
            (to_bytes(talk.keep_alive.send), round(nanoseconds(talk.keep_alive.every)))
            if talk.keep_alive is not None
            else None
        ),
        unasked=talk.unasked,
    )


def _fixed(data: bytes, every_ns: int) -> Request:
    return Request(lambda _number: data, max(1, every_ns))


def _finder(settings: AnswerEnd) -> AnswerFinder:
    if settings.ends is not None:
        return EndsWith(to_bytes(settings.ends))
    if settings.bytes is not None:
        return SoMany(settings.bytes)
    assert settings.quiet is not None  # noqa: S101  one of the three, by the checks
    return Quiet(round(nanoseconds(settings.quiet)))
