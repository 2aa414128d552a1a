"""A calibration check within a run: the scan pauses, the steps are read one by one, and it resumes.

Of several probes one after the other is led over the block; each has a check of its own.

Commands act on it as everywhere: from the board, the page or the broker. What is read is judged by the
pipeline from the journal's marks, so that a rebuild has the same verdict.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.live.block_now import BlockNow, block_now
from swathe.live.check_round import CheckRound, probes_to_check
from swathe.live.check_texts import failed_text, reading_text, step_text, verdict_text
from swathe.live.checking_message import due_message, progress_message
from swathe.live.due_check import DueCheck
from swathe.live.mirror import Mirror
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.messages import CheckingMessage, CheckResult, Topics
from swathe.pipeline import Check, CheckPhase, Pipeline
from swathe.station import CarriageProbe, VerificationSettings

__all__ = ["CheckWork"]

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
        self._round: CheckRound | None = None
        self._made: dict[int, Check] = {}  # the newest one of each probe in this round
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
        return self._round is not None

    @property
    def overdue(self) -> int | None:
        """By how much a check is overdue, ns; None while none is."""
        return self._due.overdue(self._pipeline)

    def show_soon(self) -> None:
        """Show what follows with the next tick."""
        self._publish_at = 0

    def begin(self, by: str, phase: CheckPhase | None = None, probe: str | None = None) -> str:
        """Pause the run and begin a check on the block; return what is to be done or why not.

        Args:
            by: who makes it.
            phase: as for `start`.
            probe: name of the only one of several to check; by default all in turn.
        """
        if (reason := self._no_check()) is not None:
            return reason
        if isinstance(probes := probes_to_check(self._pipeline.station, probe), str):
            return f"{REFUSED}{probes}"
        if self.to_crawler is not None:
            if probe:
                return f"{REFUSED}with a crawler all probes are checked: leave 'probe' out"
            if (reply := self.to_crawler(by)) is not None:
                return reply
        # A crawler's encoder stays with it, and it finds its reference again before it moves on.
        off_part = self.to_crawler is None and self._is_encoded
        self.start(by, by, phase, off_part=off_part, probes=probes)
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
        probes: tuple[CarriageProbe, ...] = (),
    ) -> None:
        """Pause and begin a check.

        Args:
            by: who makes it.
            pauses: by whom the scan is paused.
            phase: of the check; by default before any reading, or else at an interval.
            off_part: whether a hand carries the probe from the part.
            by_crawler: whether a crawler makes it, on the part.
            probes: that are checked, in turn; by default all.
        """
        self.by_crawler = by_crawler
        pipeline, every = self._pipeline, self._pipeline.carriage.probes.probes
        if phase is None:
            phase = CheckPhase.INTERVAL if pipeline.readings else CheckPhase.BEFORE
        self._phase, self._by, self._pauses = phase, by, pauses
        self._pause(1, "" if len(every) == 1 else (probes or every)[0].name)
        self._round = CheckRound(
            self._required,
            self._session,
            probes or every,
            named=len(every) > 1,
            phase=phase,
            by=by,
            off_part=off_part,
        )
        self._made.clear()
        self._beyond = False
        self.arrive()

    def arrive(self) -> None:
        """Take no reading for the step that was read before now."""
        self._since, self._before = self._clock(), math.nan

    def _pause(self, number: int, probe: str) -> None:
        """Pause, or let the pause say which step is to be read, and of several with which probe."""
        step = self._required.steps[number - 1]
        text = self._pipeline.station.display.stated_thickness_text(step)
        which = f" of probe {probe}" if probe else ""
        self.step_name = f"calibration check{which}, step {text}"
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
        steps = self._around.steps
        if self._beyond:
            self._beyond = False
            return self._continue("kept")
        now, display = self.now(), self._pipeline.station.display
        number, thickness = steps.number, self._required.steps[steps.number - 1]
        if not (now.lifted or lifted):
            step, name = display.stated_thickness_text(thickness), self._around.name
            which = f"probe {name}" if name else "the probe"
            return f"{REFUSED}{which} was not lifted: lift it, and put it on the step of {step}"
        if not now.steady:
            return f"{REFUSED}{now.reason}"
        steps.read(now.begin, now.end)
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

    @property
    def _around(self) -> CheckRound:
        assert self._round is not None  # noqa: S101  as the callers have asked
        return self._round

    def _continue(self, text: str) -> str:
        """Go to the next step, or end the check after the last one."""
        if self._around.steps.thickness is None:
            return f"{text}; {self.end()}"
        self._pause(self._around.steps.number, self._around.name)
        return f"{text}; {self.prompt}"

    def redo(self) -> str:
        """Have the step that was read last read again; return what is to be done or why not.

        Before the first step of a probe, the check of the probe before is made again.
        """
        around = self._around
        if around.steps.number > 1:
            around.steps.back()
        elif not around.back():
            return f"{REFUSED}no step has been read yet"
        else:
            self.arrive()
        self._beyond = False
        self._pause(around.steps.number, around.name)
        return f"read it again: {self.prompt}"

    def skip(self, by: str, because: str = "") -> str:
        """Leave out the probe that is to be checked; return what is to be done then, or why not."""
        around = self._around
        if not around.name:
            return f"{REFUSED}there is one probe only: 'check give up' ends its check"
        text = f"probe {around.name} is left out: it is not checked"
        around.skip(by, because)
        return self._next_probe(text, CheckResult.SKIPPED)

    def end(self) -> str:
        """End the check of a probe; return its verdict, and what follows from it."""
        around = self._around
        around.end()
        check = self.newest
        self._made[around.probe.number] = check
        text = verdict_text(check, self._pipeline.station.display)
        result = CheckResult.PASSED if check.passed else CheckResult.FAILED
        return self._next_probe(text, result)

    def _next_probe(self, text: str, result: CheckResult) -> str:
        """Begin the next probe's check, or end the round."""
        around = self._around
        if around.continue_after(result):
            self._beyond = False
            self.arrive()
            self._pause(1, around.name)
            return f"{text}; {self.prompt}"
        return self._finish(text)

    def _finish(self, text: str) -> str:
        """End the round; the run stays paused where a check of it failed."""
        self._round, self.step_name = None, ""
        if failed := self.failed:
            numbers = " and ".join(str(check.number) for check in failed)
            self.step_name = f"calibration check{'s' * (len(failed) > 1)} {numbers} FAILED"
            self._name_pause()
            return f"{text}. {failed_text()}"
        if self.by_crawler:
            return text  # it ends its own pause, once it is back
        return f"{text}; {self._resume()}"

    @property
    def failed(self) -> list[Check]:
        """The failed checks of the round that ended last, or is in progress."""
        return [check for check in self._made.values() if not check.passed]

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
        """Give the check in progress up; it does not count. Those of other probes that ended do."""
        self._around.steps.give_up(by, because)
        if self.by_crawler:
            self._round, self.step_name = None, ""
            return "the calibration check was given up: it does not count"
        return self._finish("the calibration check was given up, and does not count")

    def finish(self) -> None:
        """The run ends: a check in progress does not count."""
        if self._round is not None:
            self._round.steps.give_up(self._by, "the run ended")
            self._round = None

    @property
    def todo(self) -> str:
        """What a person has to do for a check in progress; empty where nobody has to."""
        if self._round is None or self.by_crawler:
            return ""
        return "finish the calibration check on the block, or give it up"

    @property
    def prompt(self) -> str:
        """What is to be done for the check in progress."""
        around, steps = self._around, self._required.steps
        number = around.steps.number - self._beyond
        return around.head + step_text(
            number,
            steps,
            self._pipeline.station.display,
            beyond=self._beyond,
            now=self.now(),
            probe=around.name,
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
        if self._round is None:
            return due_message(pipeline, self._due)
        details = {"phase": self._phase, "by": self._by, "by_crawler": self.by_crawler}
        return progress_message(
            pipeline,
            self._round,
            self.now(),
            pipeline.station.display,
            prompt=self.prompt,
            beyond=self._beyond,
            steps=self._required.steps,
            details=details,
        )
