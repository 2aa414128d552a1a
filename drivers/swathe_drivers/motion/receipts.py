"""How a command ended, and the commands that have not ended yet."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from enum import StrEnum

from swathe_drivers.motion.commands import Command, Frame


class CommandOutcome(StrEnum):
    """How a command ended."""

    ACKNOWLEDGED = "acknowledged"
    """The machine took all of it. Its position and state show whether it is done."""
    REFUSED = "refused"
    """The machine did not take it; the receipt has its words."""
    UNANSWERED = "unanswered"
    """No acknowledgement within its time, or a command before it failed when it had been sent.
    It may have been carried out or not."""
    DISCARDED = "discarded"
    """Not wholly sent: a command before it failed."""
    STOPPED = "stopped"
    """A stop came first. What had been sent of it may have been carried out in part."""
    ALARM = "alarm"
    """The machine halted by itself."""
    LOST = "lost"
    """The port was lost or closed."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """How a command ended.

    Attributes:
        command: the command.
        outcome: how it ended.
        text: a sentence on it, or the machine's words; empty when acknowledged.
        time: host's monotonic time, ns.
    """

    command: Command
    outcome: CommandOutcome
    text: str
    time: int

    @property
    def words(self) -> str:
        """Outcome and text in one."""
        return f"{self.outcome}: {self.text}" if self.text else str(self.outcome)


@dataclass(slots=True, eq=False)
class Job:
    """A command under way."""

    command: Command
    future: Future[Receipt] = field(default_factory=Future)
    next: int = 0
    """Index of the first frame that was not sent."""
    ended: bool = False

    def __post_init__(self) -> None:
        # From now on the caller can't cancel it; only a stop takes a command back.
        self.future.set_running_or_notify_cancel()


@dataclass(slots=True)
class Flight:
    """A frame that waits for its acknowledgement."""

    job: Job | None
    """None for a stop."""
    frame: Frame
    deadline: int
    """Monotonic, ns."""
    tries: int = 1


@dataclass(frozen=True, slots=True)
class Work:
    """A frame to be sent now, under its number, unless the generation has changed by then."""

    job: Job
    frame: Frame
    number: int
    generation: int


@dataclass(slots=True)
class Endings:
    """Futures to be resolved, once no lock is held."""

    found: list[tuple[Job, CommandOutcome, str]] = field(default_factory=list)

    def add(self, job: Job, outcome: CommandOutcome, text: str = "") -> None:
        """Remember how a command ended; the first end counts. Call with the port's lock held."""
        if not job.ended:
            job.ended = True
            self.found.append((job, outcome, text))

    def resolve(self, time_ns: int) -> None:
        """Resolve what callers wait for; call without holding a lock."""
        for job, outcome, text in self.found:
            job.future.set_result(Receipt(job.command, outcome, text, time_ns))
        self.found.clear()


OnFrameSent = Callable[[str, int, bytes], None]
"""Takes the port's name, the time of writing (monotonic, ns) and the bytes."""
