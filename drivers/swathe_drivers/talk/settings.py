r"""Settings of what is sent to a device: the table `talk` of a description or a device.

::

    [talk]
    start = ["*RST\n", "RATE 50\n"]                   # after each opening
    stop = ["STOP\n"]                                 # before closing
    poll = [{ send = "MEAS?\n", every = "20 ms" }]    # one after an answer, or after `timeout`
    keep_alive = { send = "hex:00", every = "5 s" }   # after so long without a transmission
    timeout = "500 ms"
    taken_at = "between"                              # of request and answer

A text stands for bytes one to one (Latin-1), with TOML's own escapes; `hex:01 03` for the bytes
that it lists.
"""

from enum import StrEnum
from typing import Annotated, Final, Self

from pydantic import AfterValidator, Field, model_validator

from swathe_drivers.settings import SettingProblem, SettingsTable, problem, raise_problems
from swathe_drivers.units import DurationText, nanoseconds

HEX: Final = "hex:"
"""How a text that lists bytes begins."""

_MAX_BYTE: Final = "\xff"
_MOST_BYTES: Final = 1024


class TakenAt(StrEnum):
    """The moment at which a device takes what it answers."""

    REQUEST = "request"
    """When the request is sent: it starts the measurement, or holds the counts."""
    ANSWER = "answer"
    """When the first byte of the answer is sent."""
    BETWEEN = "between"
    """Somewhere between: the middle is assumed, which is off by half of that time at the most."""


def to_bytes(text: str) -> bytes:
    """The bytes that a checked text stands for."""
    if text.startswith(HEX):
        return bytes.fromhex(text.removeprefix(HEX))
    return text.encode("latin-1")


def _check_text(text: str) -> str:
    try:
        data = to_bytes(text)
    except UnicodeEncodeError:
        raise problem("must consist of characters up to U+00FF, one byte each") from None
    except ValueError:
        raise problem("must list bytes like 'hex:01 03 FF'") from None
    if not 1 <= len(data) <= _MOST_BYTES:
        raise problem(f"must have 1 to {_MOST_BYTES} bytes")
    return text


SentText = Annotated[str, AfterValidator(_check_text)]
"""What is sent; see `to_bytes`."""


class KindOfRecord(SettingsTable):
    """One kind of lines or frames among others."""

    answers: SentText | None = None
    """The poll of which it is the answer, where nothing in it shows that."""


class Poll(SettingsTable):
    """A request that is sent again and again."""

    send: SentText
    every: DurationText
    """From one to the next, where the answers are quick enough."""


class KeepAlive(SettingsTable):
    """What is sent when nothing else was for so long; nothing waits for its answer."""

    send: SentText
    every: DurationText


class AnswerEnd(SettingsTable):
    """What shows that an answer is complete: one of these."""

    ends: SentText | None = None
    """The bytes at its end."""
    bytes: Annotated[int, Field(ge=1, le=65536)] | None = None
    """How many it has."""
    quiet: DurationText | None = None
    """A silence behind it."""

    @model_validator(mode="after")
    def _check_one(self) -> Self:
        given = [self.ends is not None, self.bytes is not None, self.quiet is not None]
        if sum(given) != 1:
            raise problem("must have one of 'ends', 'bytes' and 'quiet'")
        return self


class TalkSettings(SettingsTable):
    """What is sent to a device, and when."""

    start: tuple[SentText, ...] = Field(default=(), max_length=64)
    stop: tuple[SentText, ...] = Field(default=(), max_length=64)
    pause: DurationText = "20 ms"
    """Behind each command of `start` and `stop`."""
    poll: tuple[Poll, ...] = Field(default=(), max_length=16)
    timeout: DurationText | None = None
    """How long an answer may take before the request counts as unanswered; see `default_timeout_ns`."""
    quiet: DurationText = "0 ms"
    """Silence behind the last byte received before anything is sent."""
    answer: AnswerEnd | None = None
    """What shows that an answer is complete, if not what the driver knows of it."""
    keep_alive: KeepAlive | None = None
    taken_at: TakenAt | None = None
    """The moment of what is answered, before the delay; `between` unless stated."""
    echo: bool = False
    """Whether the device sends each request back before it answers."""
    unasked: bool = False
    """Whether the device also sends records by itself, or several for one request."""

    @model_validator(mode="after")
    def _check_times(self) -> Self:
        found: list[SettingProblem] = []
        times: list[tuple[tuple[str | int, ...], str]] = []
        if self.timeout is not None:
            times.append((("timeout",), self.timeout))
        times += [(("poll", index, "every"), poll.every) for index, poll in enumerate(self.poll)]
        if self.keep_alive is not None:
            times.append((("keep_alive", "every"), self.keep_alive.every))
        if self.answer is not None and self.answer.quiet is not None:
            times.append((("answer", "quiet"), self.answer.quiet))
        found += [(path, "must be > 0", text) for path, text in times if nanoseconds(text) <= 0]
        for key, text in (("pause", self.pause), ("quiet", self.quiet)):
            if nanoseconds(text) < 0:
                found.append(((key,), "must be >= 0", text))
        if self.unasked and self.taken_at is not None:
            requirement = (
                "must be left out with 'unasked': what a device sends by itself has the time of its"
                " arrival"
            )
            found.append((("taken_at",), requirement, str(self.taken_at)))
        raise_problems(self, found)
        return self
