"""Commands to the station: each one that acts is journalled as a mark."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.live.check_commands import CHECK_COMMANDS, execute_check, why_blocked
from swathe.live.check_work import CheckWork
from swathe.live.confirming import decide
from swathe.live.given_replies import GivenReplies
from swathe.live.origin import Origin
from swathe.live.resumption_progress import resuming_text
from swathe.live.reviser import REFUSED, Reviser
from swathe.live.sensitivity import check_sensitivity
from swathe.live.session import Session
from swathe.live.spots import SpotWork
from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot, ZoneSnapshot, moment
from swathe.pipeline import CRAWLER, ExcludedZone, Pipeline
from swathe.pipeline.progress.lift_snapshot import doubt_text
from swathe.station import (
    LineAdvance,
    Station,
    known_marks,
    line_of_mark,
    line_text,
    mark_named,
    no_line_reason,
    position_text,
)

__all__ = ["Commands"]

# What needs no state of the survey is done while it is still being resumed.
_ALWAYS = ("note", "alive", "stop")
# What only a plan of spots has, and what it does not have.
_AT_SPOTS = ("spot", "take", "accept spot", "close spot", "reopen spot")
_AT_CELLS = (
    "next line",
    "previous line",
    "line blocked",
    "line",
    "exclude",
    "rescan",
    "reference",
    "discard",
    "move",
    "restore",
)


class Commands:
    """Executes commands, or refuses them with a reason.

    Args:
        station: the station file.
        session: whose journal takes the marks.
        stop: ends the run, for a reason.
        ending: returns whether the run is ending already.

    Attributes:
        on_alive: takes the sign of life of a dead-man control; None where nothing moves by itself.
        on_revised: called when readings were discarded, moved or restored: the survey is then to be
            placed again.
        moves: returns whether a crawler may move; None likewise.
        on_resume: lets a crawler that has stopped continue, or ends a pause; None likewise.
        spots: the work at the spots of a plan without an encoder; None for any other.
        checks: the calibration checks within the run; None where none can be made.
        process: session of the state messages, which replies repeat.
        replies: to the commands of the last half minute.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        *,
        stop: Callable[[str], None],
        ending: Callable[[], bool],
    ) -> None:
        self._station = station
        self._session = session
        self._stop = stop
        self._ending = ending
        self.replies = GivenReplies(session)
        self._reviser = Reviser(station, session)
        self.on_revised: Callable[[], None] | None = None
        self.on_alive: Callable[[str], str] | None = None
        self.on_resume: Callable[[str, Origin], str] | None = None
        self.moves: Callable[[], bool] | None = None
        self.spots: SpotWork | None = None
        self.checks: CheckWork | None = None
        self.process = ""

    @property
    def _pipeline(self) -> Pipeline:
        return self._session.pipeline

    def execute(
        self, command: CommandMessage, origin: Origin, *, named: bool = False
    ) -> ReplyMessage:
        """Execute a command and return the reply, which `replies.saved` completes.

        Args:
            command: the command.
            origin: from where it came.
            named: whether only the senders in ``broker.senders`` may command; anybody may stop a
                crawler.
        """
        # A stop is harmless twice, and what it stops may have begun to move again.
        if (given := self.replies.of(command)) is not None and command.command != "stop":
            return given  # delivered twice
        before = self._session.kept.entries
        senders = self._station.broker.senders if named and self._station.broker else None
        # Whoever sees a crawler fail may stop it, whatever the name.
        anyone = command.command == "stop" and self.on_alive is not None
        if senders is not None and command.by not in senders and not anyone:
            reason = f"{command.by!r} may not command {self._station.name}: 'broker.senders' of its"
            reply = self.reply(command.id, f"{REFUSED}{reason} station file does not name them")
        elif command.by == CRAWLER:
            reply = self.reply(command.id, f"{REFUSED}{CRAWLER!r} is the crawler itself")
        elif self._ending():
            reply = self.reply(command.id, f"{REFUSED}the run is ending")
        else:
            reply = self.reply(command.id, self._act(command, origin))
        return self.replies.add(command, reply, before=before)

    def refuse(self, identity: str, why: str) -> ReplyMessage:
        """Return the reply to an invalid command."""
        return self.reply(identity, f"{REFUSED}{why}")

    def reply(self, identity: str, detail: str) -> ReplyMessage:
        """Return a reply."""
        return ReplyMessage(
            station=self._station.name,
            survey=self._session.survey,
            time=moment(time.time_ns()),
            id=identity,
            accepted=not detail.startswith(REFUSED),
            detail=detail,
            session=self.process,
        )

    def must_stop(self) -> bool:
        """Return whether a crawler may move, which a `stop` then stops in any case."""
        return self.moves is not None and self.moves()

    def _act(self, command: CommandMessage, origin: Origin) -> str:
        resuming = resuming_text(self._session.resumed)
        if resuming and command.command not in _ALWAYS:
            return f"{REFUSED}{resuming}"
        if self.checks is not None:
            if blocked := why_blocked(self.checks, command.command):
                return blocked
            if command.command in CHECK_COMMANDS:
                return execute_check(self.checks, command)
        if command.command in _AT_SPOTS:
            return self._act_at_spots(command)
        if self.spots is not None and command.command in _AT_CELLS:
            return f"{REFUSED}the plan has spots, and no encoder: see 'take' and 'reopen spot'"
        match command.command:
            case "next line":
                return self.next_line(command.by)
            case "previous line":
                return self.previous_line(command.by)
            case "line blocked":
                return self.block_line(command.by)
            case "line" if command.line is not None:
                return self.set_line(command.line, command.by)
            case "line":
                return f"{REFUSED}'line' must be given"
            case "note":
                return self.note(command.text, command.by)
            case "pause":
                return self.pause(command.by, command.text)
            case "resume":
                return self.resume(command.by, origin)
            case "exclude" if command.zone is not None:
                return self.exclude(command.zone, command.by, command.text)
            case "rescan" if command.gap is not None:
                return self.rescan(command.gap, command.by)
            case "acknowledge" if command.alarm is not None:
                return self.acknowledge(command.alarm, command.by)
            case "reference":
                return self.reference(command.scan, command.index, command.by, mark=command.mark)
            case "sensitivity":
                return check_sensitivity(self._session, self._station, command.by, command.probe)
            case "discard" if command.stretch is not None:
                return self.discard(command.stretch, command.by, command.text)
            case "move" if command.stretch is not None and command.line is not None:
                return self.move(command.stretch, command.line, command.by, command.text)
            case "restore" if command.revision is not None:
                return self.restore(command.revision, command.by, command.text)
            case "confirm" | "reject" as what if command.number is not None:
                real = what == "confirm"
                return decide(self._session, command.number, command.by, command.text, is_real=real)
            case "alive" if self.on_alive is not None:
                return self.on_alive(command.by)
            case "alive":
                return f"{REFUSED}nothing moves by itself in this run"
            case "stop":
                self._stop(f"stopped {origin} by {command.by}")
                return "stopping"
        return f"{REFUSED}{command.command!r} lacks its argument"  # the model refuses it before

    def _act_at_spots(self, command: CommandMessage) -> str:
        """Execute a command at a spot."""
        spots, name, by = self.spots, command.spot, command.by
        if spots is None:
            return f"{REFUSED}the plan has no spots"
        match command.command:
            case "spot":
                return spots.choose(name or "")
            case "take":
                return spots.take(by, name)
            case "accept spot":
                return spots.accept(by, command.text, name)
            case "close spot":
                return spots.close(by, command.text, name)
            case _:
                return spots.reopen(by, command.text, name)

    def next_line(self, by: str) -> str:
        """Continue with the line after the present one; return what was done or why not."""
        return self.set_line(self._pipeline.line + 1, by)

    def previous_line(self, by: str) -> str:
        """Continue with the line before the present one; return what was done or why not."""
        return self.set_line(self._pipeline.line - 1, by)

    def block_line(self, by: str) -> str:
        """End the line where the probe is blocked; return what was done or why not.

        The next one begins there; with ``advance = "return"``, as the probe returns to the start.
        """
        line = self._pipeline.line + 1
        if (reason := no_line_reason(self._station, line)) is not None:
            return f"{REFUSED}{reason}"
        assert self._station.index is not None  # noqa: S101  as there are lines
        if self._station.index.advance is LineAdvance.RETURN:
            self._session.mark(MarkKind.LINE_BLOCKED, line=None, by=by)
            return f"line {line - 1} ends here: line {line} begins when the probe is at the start"
        self._session.mark(MarkKind.LINE_BLOCKED, line=line, by=by)
        return line_text(self._station, line)

    def set_line(self, line: int, by: str) -> str:
        """Continue with another line of a stepped index axis; return what was done or why not."""
        if (reason := no_line_reason(self._station, line)) is not None:
            return f"{REFUSED}{reason}"
        self._session.mark(MarkKind.LINE, line=line, by=by)
        return line_text(self._station, line)

    def note(self, text: str, by: str) -> str:
        """Put an operator's note into the journal; return what was done."""
        self._session.mark(MarkKind.NOTE, text=text, by=by)
        return "noted"

    def pause(self, by: str, because: str) -> str:
        """Let readings belong to no cell until the run is resumed."""
        pauses = self._pipeline.pauses
        # A person's pause has priority over the crawler's own while it homes: the crawler stops.
        if pauses.active and pauses.by != CRAWLER:
            return f"{REFUSED}already paused by {pauses.by}"
        self._session.mark(MarkKind.PAUSED, by=by, because=because)
        return "paused: readings belong to no cell until 'resume'"

    def resume(self, by: str, origin: Origin = Origin.TERMINAL) -> str:
        """Let readings count again after a pause, and a crawler continue where that is allowed."""
        if self.on_resume is not None:
            return self.on_resume(by, origin)
        if not self._pipeline.pauses.active:
            return f"{REFUSED}not paused"
        self._session.mark(MarkKind.RESUMED, by=by)
        return "resumed"

    def exclude(self, requested: ZoneSnapshot, by: str, because: str = "") -> str:
        """Take a rectangle out of the plan."""
        zone = ExcludedZone(requested.name, requested.scan, requested.index, by, 0)
        for axis, span in (("scan", zone.scan), ("index", zone.index)):
            if span is not None and not (span[0] < span[1] and all(map(math.isfinite, span))):
                return f"{REFUSED}zone.{axis} must run from the lower to the higher border"
        grid = self._pipeline.grid
        cells = grid.required_in(*zone.rows_and_columns(grid.scan, grid.index))
        if not cells.size:
            return f"{REFUSED}no required cell has its centre in that zone"
        if cells.size == self._pipeline.coverage.required:
            return f"{REFUSED}nothing would be left to measure: 'stop' ends the run"
        self._session.mark(
            MarkKind.ZONE_EXCLUDED,
            name=zone.name,
            scan=zone.scan,
            index=zone.index,
            by=by,
            because=because,
        )
        return f"excluded {cells.size} cells: {zone.name}"

    def rescan(self, number: int, by: str) -> str:
        """Append a gap to those that are to be scanned next."""
        gap = self._pipeline.coverage.gaps.find(number)
        if gap is None:
            return f"{REFUSED}there is no gap {number}"
        if gap.end is not None:
            merged = "" if gap.merged_into is None else f" into gap {gap.merged_into}"
            return f"{REFUSED}gap {number} is {gap.end}{merged}"
        self._session.mark(
            MarkKind.GAP_REQUESTED, gap=number, by=by, scan=[*gap.scan], index=[*gap.index]
        )
        wanted = [one.number for one in self._pipeline.requests.gaps]
        return f"gap {number} is wanted, number {wanted.index(number) + 1} of {len(wanted)}"

    def reference(
        self, scan: float | None, index: float | None, by: str, *, mark: str | None = None
    ) -> str:
        """Set the encoded axes to where the probe rests, mm; return what was done or why not.

        Args:
            scan: position on the scan axis; None leaves it.
            index: likewise on the index axis.
            by: who gives it.
            mark: name of a mark of the station file, whose position it is instead. Its index sets
                the line of a stepped axis.
        """
        if self.moves is not None and self.moves():
            return f"{REFUSED}the crawler may move: stop it first"
        named, line = None, None
        if mark is not None:
            named = mark_named(self._station.mark, mark)
            if named is None:
                return f"{REFUSED}there is no mark {mark!r}: {known_marks(self._station.mark)}"
            scan, index = named.scan, named.index
            if index is not None and not self._station.index_encoded:
                line, index = line_of_mark(self._station, named), None
                if line is None:
                    return f"{REFUSED}{named.name!r} ({position_text(named.scan, named.index, self._station.display)}) is on no line of the plan"
        positions = {"scan": scan, "index": index}
        known = {axis: position for axis, position in positions.items() if position is not None}
        if index is not None and not self._station.index_encoded:
            return f"{REFUSED}the index axis has no encoder: 'line' sets a stepped one"
        for axis in known:
            if (reason := self._pipeline.no_reference(axis)) is not None:
                return f"{REFUSED}{reason}"
        named_mark = {} if named is None else {"mark": named.name}
        display = self._station.display
        done = [f"{axis} {display.stated_text(position)}" for axis, position in known.items()]
        before = ""
        if known:
            before = self._reviser.discard_before(known, by)
            self._session.mark(MarkKind.REFERENCED, **known, by=by, **named_mark)
        if line is not None:
            done.append(f"line {line}")
            if line != self._pipeline.line:
                self._session.mark(MarkKind.LINE, line=line, by=by, **named_mark)
        name = "" if named is None else f"{named.name}, "
        doubt = self._pipeline.lifts.doubt if known else None
        done_text = f"the probe is at {name}{', '.join(done)}: readings count from here on{before}"
        return done_text if doubt is None else f"{done_text}; {doubt_text(doubt)}"

    def discard(self, stretch: StretchSnapshot, by: str, because: str) -> str:
        """Let the readings of a stretch count for no cell; return what is done or why not."""
        return self._revised(self._reviser.discard(stretch, by, because))

    def move(self, stretch: StretchSnapshot, line: int, by: str, because: str) -> str:
        """Let the readings of a stretch be of another line; return what is done or why not."""
        return self._revised(self._reviser.move(stretch, line, by, because))

    def restore(self, revision: int, by: str, because: str) -> str:
        """Take a discard or a move back; return what is done or why not."""
        return self._revised(self._reviser.restore(revision, by, because))

    def _revised(self, answer: str) -> str:
        if self.on_revised is not None and not answer.startswith(REFUSED):
            self.on_revised()
        return answer

    def acknowledge(self, number: int, by: str) -> str:
        """Record who acknowledged an alarm."""
        alarms = self._pipeline.alarms.alarms
        if not 1 <= number <= len(alarms):
            return f"{REFUSED}there is no alarm {number}"
        alarm = alarms[number - 1]
        if alarm.acknowledged_by:
            return f"{REFUSED}alarm {number} was already acknowledged by {alarm.acknowledged_by}"
        self._session.mark(
            MarkKind.ALARM_ACKNOWLEDGED,
            alarm=number,
            by=by,
            about=str(alarm.kind),
            device=alarm.device,
            scan=alarm.scan,
            index=alarm.index,
        )
        return f"alarm {number} ({alarm.kind}) is acknowledged by {by}"
