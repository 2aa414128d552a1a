"""What is sent to a device: commands at start and stop, requests by the clock, keep-alive.

`TalkSettings` is the table `talk` of a description; `make_schedule` makes of it, and of what the
driver asks for by itself, the `Schedule` that a `PortReader` follows. `make_polling` makes of the same
what there is to know for matching answers with their requests.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

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


def make_schedule(
    driver: Driver, talk: TalkSettings | None, *, ns_per_byte: int = 0
) -> Schedule | None:
    """What is sent to a device of this driver; None if nothing is.

    Args:
        driver: may ask by itself, and know where an answer ends; see `AskingDriver`.
        talk: the table of the user; None without one.
        ns_per_byte: time that one byte takes on the line, ns; 0 when unknown or not serial.
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
        timeout_ns=(
            default_timeout_ns(driver, requests, ns_per_byte)
            if talk.timeout is None
            else round(nanoseconds(talk.timeout))
        ),
        keep_alive=(
            (to_bytes(talk.keep_alive.send), round(nanoseconds(talk.keep_alive.every)))
            if talk.keep_alive is not None
            else None
        ),
        unasked=talk.unasked,
        quiet_ns=round(nanoseconds(talk.quiet)),
    )


def default_timeout_ns(driver: Driver, requests: Sequence[Request], ns_per_byte: int) -> int:
    """Return how long an answer may take where the settings do not say, ns.

    300 ms for the device (common practice, no source), and what the longest request and the longest
    answer take on the line; 500 ms at least.
    """
    sent = max((len(request.make(0)) for request in requests), default=0)
    answer = int(getattr(driver, "longest_answer", _LONGEST_ANSWER))
    return max(_LEAST_TIMEOUT_NS, _DEVICE_NS + (sent + answer) * ns_per_byte)


_LEAST_TIMEOUT_NS: Final = 500_000_000
_DEVICE_NS: Final = 300_000_000
_LONGEST_ANSWER: Final = 256


def _fixed(data: bytes, every_ns: int) -> Request:
    return Request(lambda _number: data, max(1, every_ns))


def _finder(settings: AnswerEnd) -> AnswerFinder:
    if settings.ends is not None:
        return EndsWith(to_bytes(settings.ends))
    if settings.bytes is not None:
        return SoMany(settings.bytes)
    assert settings.quiet is not None  # noqa: S101  one of the three, by the checks
    return Quiet(round(nanoseconds(settings.quiet)))
