"""A calibration check within a run: the scan pauses, the steps are read one by one, and it resumes.

Commands act on it as everywhere: from the board, the page or the broker. What is read is judged by the
pipeline from the journal's marks, so that a rebuild has the same verdict.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.live.block_now import BlockNow, block_now
from swathe.live.check_steps import CheckSteps
from swathe.live.check_texts import (
    check_done_text,
    due_text,
    gauge_line,
    reading_text,
    step_text,
)
from swathe.live.due_check import DueCheck
from swathe.live.mirror import Mirror
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.messages import CheckingMessage, CommandMessage, Heading, Topics, moment
from swathe.pipeline import Check, CheckPhase, Pipeline
from swathe.station import VerificationSettings

__all__ = ["CHECK_COMMANDS", "CheckWork"]

CHECK_COMMANDS = ("check", "check step", "check redo", "check give up")
"""Commands that begin a check, read a step, read it again, and give the check up."""
# What would take the probe, the pause or the lines out of the hands of a check.
_BLOCKED = (
    "pause",
    "resume",
    "reference",
    "line",
    "next line",
    "previous line",
    "line blocked",
    "take",
)
# What the gauge reads is published this often.
_INTERVAL_NS = 250_000_000


class CheckWork:
    """Leads through the checks of one run, and asks for the one that is due.

    Args:
        session: whose journal takes the marks.
        mirror: takes the messages.
        settings: the table ``[verification]`` of the station file; None for none.
        clock: host's monotonic clock, ns.

    Attributes:
        to_crawler: takes a request for a check while a crawler may move, and returns the reply; None
            where it rests, or nothing moves by itself.
        on_resume: ends a pause where a crawler may not know where it is; None without one.
        step_name: which step is to be read, for the state of the run; the verdict of a failed check
            while the run is paused for it; empty otherwise.
        by_crawler: whether the check in progress is made by a crawler, on the part.
    """

    def __init__(
        self,
        session: Session,
        mirror: Mirror,
        settings: VerificationSettings | None,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._session, self._mirror, self._settings = session, mirror, settings
        self._clock = clock
        self.to_crawler: Callable[[str], str | None] | None = None
        self.on_resume: Callable[[str], str] | None = None
        self.by_crawler = False
        self.step_name = ""
        self._steps: CheckSteps | None = None
        self._pauses = ""
        self._phase = CheckPhase.INTERVAL
        self._by = ""
        self._since = 0
        self._before = math.nan
        self._beyond = False  # the step read last is beyond the tolerance, and not decided on
        self._due = DueCheck(settings)
        self._published: CheckingMessage | None = None
        self._publish_at = 0

    @property
    def _pipeline(self) -> Pipeline:
        return self._session.pipeline

    @property
    def _required(self) -> VerificationSettings:
        assert self._settings is not None  # noqa: S101  no check begins without
        return self._settings

    @property
    def active(self) -> bool:
        """Whether a check is in progress."""
        return self._steps is not None

    @property
    def overdue(self) -> int | None:
        """By how much a check is overdue, ns; None while none is."""
        return self._due.overdue(self._pipeline)

    def blocks(self, command: str) -> str:
        """Return why a command is refused during a check; empty if it is not.

        None is while a crawler makes it: a pause has to stop that.
        """
        if not self.active or self.by_crawler or command not in _BLOCKED:
            return ""
        return f"{REFUSED}a calibration check is in progress: finish it, or give it up"

    def execute(self, command: CommandMessage) -> str:
        """Execute one of `CHECK_COMMANDS`; return what was done or why not."""
        self._publish_at = 0  # what follows is shown with the next tick
        if command.command == "check":
            return self.begin(command.by, command.phase)
        if self._steps is None:
            return f"{REFUSED}no calibration check is in progress: 'check' begins one"
        if self.by_crawler and command.command != "check give up":
            return f"{REFUSED}the crawler makes this check by itself"
        match command.command:
            case "check step":
                return self.take()
            case "check redo":
                return self.redo()
            case _:
                return self.give_up(command.by, command.text)

    def begin(self, by: str, phase: CheckPhase | None = None) -> str:
        """Pause the run and begin a check on the block; return what is to be done or why not."""
        if (reason := self._no_check()) is not None:
            return reason
        if self.to_crawler is not None and (reply := self.to_crawler(by)) is not None:
            return reply
        # A crawler's encoder stays with it, and it finds its reference again before it moves on.
        self.start(by, by, phase, off_part=self.to_crawler is None and self._is_encoded)
        return f"paused for a calibration check: {self.prompt}"

    @property
    def _is_encoded(self) -> bool:
        return self._pipeline.station.spots is None

    def _no_check(self) -> str | None:
        """Return why no check can begin; None if one can."""
        if self._settings is None:
            return f"{REFUSED}the station file has no table [verification]: add steps and tolerance"
        if self.active:
            return f"{REFUSED}a calibration check is in progress: {self.prompt}"
        return None

    def start(
        self,
        by: str,
        pauses: str,
        phase: CheckPhase | None = None,
        *,
        off_part: bool,
        by_crawler: bool = False,
    ) -> None:
        """Pause and begin a check.

        Args:
            by: who makes it.
            pauses: by whom the scan is paused.
            phase: of the check; by default before any reading, or else at an interval.
            off_part: whether a hand carries the probe from the part.
            by_crawler: whether a crawler makes it, on the part.
        """
        self.by_crawler = by_crawler
        pipeline = self._pipeline
        if phase is None:
            phase = CheckPhase.INTERVAL if pipeline.readings else CheckPhase.BEFORE
        self._phase, self._by, self._pauses = phase, by, pauses
        self._pause(1)
        self._steps = CheckSteps(
            self._required, self._session, phase=phase, by=by, off_part=off_part
        )
        self._beyond = False
        self.arrive()

    def arrive(self) -> None:
        """Take no reading for the step that was read before now."""
        self._since, self._before = self._clock(), math.nan

    def _pause(self, number: int) -> None:
        """Pause, or let the pause say which step is to be read."""
        step = self._required.steps[number - 1]
        text = self._pipeline.station.display.stated_thickness_text(step)
        self.step_name = f"calibration check, step {text}"
        self._name_pause()

    def _name_pause(self) -> None:
        """Let the pause say what the check does.

        A person's pause stops a crawler: the crawler's own never takes its place.
        """
        pauses = self._pipeline.pauses
        if not (self.by_crawler and pauses.active and pauses.by != self._pauses):
            self._session.mark(MarkKind.PAUSED, by=self._pauses, because=self.step_name)

    def now(self) -> BlockNow:
        """Return what the gauge reads on the block."""
        return block_now(
            self._pipeline.suspect_cells.checks.readings_since(self._since + 1),
            now=self._clock(),
            before=self._before,
            since=self._since,
            display=self._pipeline.station.display,
        )

    def take(self, *, lifted: bool = False) -> str:
        """Read the step with what the gauge shows now; return what came of it or why not.

        Where the step read last is beyond the tolerance, that reading is kept.

        Args:
            lifted: the probe is known to be on the step, as a crawler brought it there.
        """
        assert self._steps is not None  # noqa: S101  as the callers have asked
        if self._beyond:
            self._beyond = False
            return self._continue("kept")
        now, display = self.now(), self._pipeline.station.display
        number, thickness = self._steps.number, self._required.steps[self._steps.number - 1]
        if not (now.lifted or lifted):
            step = display.stated_thickness_text(thickness)
            return f"{REFUSED}the probe was not lifted: lift it, and put it on the step of {step}"
        if not now.steady:
            return f"{REFUSED}{now.reason}"
        self._steps.read(now.begin, now.end)
        found = self._pipeline.suspect_cells.checks.steps_read[number - 1]
        self._since, self._before = now.end, found.measured
        text = reading_text(found, display)
        if self.by_crawler or found.within(self._required.tolerance):
            return self._continue(text)
        self._beyond = True
        return (
            f"{text}: BEYOND the tolerance of "
            f"{display.difference_text(self._required.tolerance)}. Is it this step, and well coupled? "
            "Read it again, or keep the reading by taking it once more"
        )

    def _continue(self, text: str) -> str:
        """Go to the next step, or end the check after the last one."""
        assert self._steps is not None  # noqa: S101  as the callers have asked
        if self._steps.thickness is None:
            return f"{text}; {self.end()}"
        self._pause(self._steps.number)
        return f"{text}; {self.prompt}"

    def redo(self) -> str:
        """Have the step that was read last read again; return what is to be done or why not."""
        assert self._steps is not None  # noqa: S101  as the caller has asked
        if self._steps.number == 1:
            return f"{REFUSED}no step has been read yet"
        self._steps.back()
        self._beyond = False
        self._pause(self._steps.number)
        return f"read it again: {self.prompt}"

    def end(self) -> str:
        """End the check; return its verdict, and what follows from it."""
        assert self._steps is not None  # noqa: S101  as the callers have asked
        self._steps.end()
        self._steps, self.step_name = None, ""
        check = self.newest
        text = check_done_text(check, self._pipeline.station.display)
        if not check.passed:
            self.step_name = f"calibration check {check.number} FAILED"
            self._name_pause()
            return text
        if self.by_crawler:
            return text  # it ends its own pause, once it is back
        return f"{text}; {self._resume()}"

    @property
    def newest(self) -> Check:
        """The check that ended last."""
        return self._pipeline.suspect_cells.checks.checks[-1]

    def _resume(self) -> str:
        """End the pause; return how the run continues."""
        if self.on_resume is not None:
            self.on_resume(self._by)
            return "let the crawler continue when everybody is clear of it"
        self._session.mark(MarkKind.RESUMED, by=self._by)
        if self._pipeline.lost_axes:
            return "set the probe down on the part, and give its place: it continues from there"
        return "the scan continues"

    def give_up(self, by: str, because: str = "") -> str:
        """Give the check in progress up; it does not count."""
        assert self._steps is not None  # noqa: S101  as the callers have asked
        self._steps.give_up(by, because)
        self._steps, self.step_name = None, ""
        if self.by_crawler:
            return "the calibration check was given up: it does not count"
        return f"the calibration check was given up, and does not count; {self._resume()}"

    def finish(self) -> None:
        """The run ends: a check in progress does not count."""
        if self._steps is not None:
            self._steps.give_up(self._by, "the run ended")
            self._steps = None

    @property
    def todo(self) -> str:
        """What a person has to do for a check in progress; empty where nobody has to."""
        if self._steps is None or self.by_crawler:
            return ""
        return "finish the calibration check on the block, or give it up"

    @property
    def prompt(self) -> str:
        """What is to be done for the check in progress."""
        assert self._steps is not None  # noqa: S101  as the callers have asked
        steps, number = self._required.steps, self._steps.number
        if self._beyond:
            number -= 1
        return step_text(
            number, steps, self._pipeline.station.display, beyond=self._beyond, now=self.now()
        )

    def advance(self) -> None:
        """Follow the lines once a check is due, and publish; called in each tick."""
        self._due.follow(self._pipeline)
        if (now := self._clock()) < self._publish_at:
            return
        self._publish_at = now + _INTERVAL_NS
        message = self._message()
        old = self._published
        if old is None or message.model_copy(update={"time": old.time}) != old:
            self._published = message
            self._mirror.put(Topics(message.station).checking, message)

    @property
    def asked(self) -> bool:
        """Whether a check is asked for now: it is due, and the line has ended."""
        return self.overdue is not None and self._due.line_ended

    def _message(self) -> CheckingMessage:
        pipeline = self._pipeline
        display, late = pipeline.station.display, self.overdue
        heading: Heading = {
            "station": pipeline.station.name,
            "survey": pipeline.survey,
            "time": moment(pipeline.time),
        }
        if self._steps is None:
            return CheckingMessage.model_validate(
                {
                    **heading,
                    "active": False,
                    "asked": self.asked,
                    "overdue_minutes": None if late is None else int(late // 60_000_000_000),
                    "text": "" if late is None else due_text(late, line_ended=self._due.line_ended),
                }
            )
        now, number = self.now(), self._steps.number
        number -= self._beyond
        return CheckingMessage.model_validate(
            {
                **heading,
                "active": True,
                "asked": False,
                "overdue_minutes": None,
                "text": self.prompt,
                "gauge": gauge_line(now, display),
                "phase": self._phase,
                "by": self._by,
                "by_crawler": self.by_crawler,
                "step": self._required.steps[number - 1],
                "number": number,
                "steps": len(self._required.steps),
                "value": now.value if now.readings else None,
                "spread": now.spread if now.readings else None,
                "steady": now.steady,
                "lifted": now.lifted,
                "beyond": self._beyond,
                "taken": pipeline.suspect_cells.checks.steps_read,
            }
        )
