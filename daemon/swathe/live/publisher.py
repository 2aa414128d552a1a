"""From the pipeline's snapshots to the mirror's messages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from swathe.live.delay_estimator import DelayEstimator
from swathe.live.gap_topics import GapTopics
from swathe.live.mirror import Mirror
from swathe.live.run_state import DecidedState
from swathe.messages import (
    AlarmMessage,
    AlarmsMessage,
    CheckMessage,
    ConfirmMessage,
    CrawlerMessage,
    GapMessage,
    Heading,
    Message,
    PlanMessage,
    PortMessage,
    ProgressMessage,
    RescanMessage,
    RevisionsMessage,
    StateMessage,
    Topics,
    moment,
)
from swathe.messages.line_budget import line_message
from swathe.pipeline import Alarm, Check, GapEnd, GapSnapshot, Pipeline, Revision
from swathe.pipeline.progress.confirm_snapshot import listed_snapshots
from swathe.pipeline.progress.snapshots import gap_snapshot

__all__ = ["Publisher"]

# Progress and ports' health reach the page this often, whatever the broker's link bears.
_PROGRESS_INTERVAL_NS = 250_000_000
_PORT_INTERVAL_NS = 1_000_000_000
_SCANNING = DecidedState("scanning")
# What changes all the time while a crawler moves.
_OF_MOTION = {
    "time", "target_scan", "target_index", "motor_scan", "motor_index", "encoder_scan",
    "encoder_index",
}  # fmt: skip
_OF_PLACING = ("gap", "line", "alarm", "alarms", "check", "rescan", "revisions", "confirm")


class Publisher:
    """Puts what changed into the mirror; the outbox decides how often it is published.

    Args:
        mirror: takes the messages.
        pipeline: of the survey.
        progress_interval_ns: longest interval between two progress messages.
        session: of this process, for its state messages.
    """

    def __init__(
        self, mirror: Mirror, pipeline: Pipeline, *, progress_interval_ns: int, session: str = ""
    ) -> None:
        self._session = session
        self._mirror = mirror
        self._pipeline = pipeline
        self.topics = Topics(pipeline.station.name)
        self._progress_interval = min(progress_interval_ns, _PROGRESS_INTERVAL_NS)
        self._progress_due = 0
        self._ports_due = 0
        self._urgent: dict[
            int, object
        ] = {}  # by gap or alarm (negative), the status that is urgent
        self._decided = _SCANNING
        self._since: tuple[tuple[str, str], datetime] | None = None
        self._zones = 0
        self._revisions: dict[Revision, int | None] = {}
        self._hurried = False  # whether no rate limit holds back any message
        self._gaps = GapTopics(mirror, pipeline, self._heading)

    @classmethod
    def staged(cls, pipeline: Pipeline) -> Publisher:
        """Return a publisher with the messages of a whole survey, for `replace`.

        May run in another thread, while nothing is fed to the pipeline.
        """
        staged = cls(Mirror(), pipeline, progress_interval_ns=_PROGRESS_INTERVAL_NS)
        staged.put_all()
        staged.put_progress()
        return staged

    def replace(self, staged: Publisher, reason: str) -> set[str]:
        """Put the whole survey as it was placed again, and end what it does not have.

        The state is `resuming` from the first of these messages on; `put_state` ends that.

        Args:
            staged: has the messages of the new pipeline.
            reason: of the state.

        Returns the topics whose messages may belong to the earlier state until they are published.
        """
        before, mirror, new = self._pipeline, self._mirror, staged._mirror
        self._pipeline, self._urgent = staged._pipeline, staged._urgent
        self._gaps = staged._gaps.moved_to(mirror, self._heading)
        self.put_state(DecidedState("resuming", reason))
        self._hurried = True
        now = self._pipeline.time
        listed = [gap for gap in before.coverage.gaps if self.topics.gap(gap.number) in mirror]
        left = [gap for gap in listed if self.topics.gap(gap.number) not in new]
        known = self._pipeline.coverage.gaps
        gone = [gap for gap in left if known.find(gap.number) is None]
        self._put_gap_messages([_ended(gap_snapshot(gap), now) for gap in gone])
        for gap in left:
            if known.find(gap.number) is not None:  # it is there, among very many
                mirror.remove(self.topics.gap(gap.number))
        if self.topics.gap_index not in new:
            mirror.remove(self.topics.gap_index)
        alarms = [a for a in before.alarms.alarms if self.topics.alarm(a.number) not in new]
        self._put_alarms([replace(alarm, until=alarm.until or now) for alarm in alarms])
        for row in range(before.grid.shape[0]):
            if (topic := self.topics.line(row)) in mirror and topic not in new:
                self._put_line(row)
        self._hurried = False
        mirror.take_over(new, but=self.topics.state)
        return {topic for topic in mirror.newest if self._is_of_placing(topic)}

    def _is_of_placing(self, topic: str) -> bool:
        """Return whether a topic's message depends on how readings are placed, and may wait."""
        return topic.split("/")[2] in _OF_PLACING

    def put_all(self, decided: DecidedState = _SCANNING) -> None:
        """Put the whole survey, at the start of a run, which may resume an older one."""
        self._put_survey()
        self.put_state(decided)

    def _put_survey(self) -> None:
        pipeline = self._pipeline
        pipeline.take_gap_snapshots()
        self._put_gap_messages(self._gaps.take(pipeline.gap_snapshots(), None))
        for row in pipeline.coverage.done_lines():
            self._put_line(row)
        pipeline.suspect_cells.take_changed()
        self._put_checks(pipeline.suspect_cells.checks.checks)
        pipeline.alarms.take_changed()
        self._put_alarms(pipeline.alarms.alarms)
        self._put_alarm_count()
        self._put_wanted()
        self._put_revisions()
        self._put_confirm()

    def put_state(self, decided: DecidedState, *, halted: bool = False) -> None:
        """Put the station's state; `halted` of a run that a fault of the crawler has ended."""
        self._decided, self._zones = decided, len(self._pipeline.requests.zones)
        row = self._pipeline.coverage.row
        if decided.state in ("complete", "incomplete") and row >= 0:
            self._put_line(row)  # the last line is left with the end of the run
        self._mirror.put(self.topics.state, self.state(decided, halted=halted))

    def state(self, decided: DecidedState, *, halted: bool = False) -> StateMessage:
        """Return a state message; one of the last will has no time since when."""
        heading = self._heading()
        since = None
        if decided.state != "offline":
            entered = decided.state, decided.by
            if self._since is None or self._since[0] != entered:
                self._since = entered, heading["time"]
            since = self._since[1]
        return StateMessage.model_validate(
            {
                **heading,
                "state": decided.state,
                "reason": decided.reason,
                "by": decided.by,
                "todo": decided.todo,
                "since": since,
                "halted": halted,
                "part": self._pipeline.station.survey.part,
                "session": self._session,
                "plan": PlanMessage.of_survey(self._pipeline),
            }
        )

    def put_crawler(self, message: Callable[[Heading], CrawlerMessage]) -> None:
        """Put what the crawler does; of what only its positions differ in, four a second at most."""
        new, topic = message(self._heading()), self.topics.crawler
        if self._states_the_same(topic, new):
            return
        old, urgent = self._mirror.messages.get(topic), True
        if isinstance(old, CrawlerMessage):
            facts = new.model_dump(exclude=_OF_MOTION)
            same = facts == old.model_dump(exclude=_OF_MOTION)
            if same and (new.time - old.time).total_seconds() * 1e9 < self._progress_interval:
                return
            urgent = (new.state, new.todo) != (old.state, old.todo)
        self._mirror.put(topic, new, urgent=urgent)

    def _heading(self) -> Heading:
        """Return the heading of a message at the last tick."""
        return {
            "station": self._pipeline.station.name,
            "survey": self._pipeline.survey,
            "time": moment(self._pipeline.time),
        }

    def put_changes(
        self, now: int, stalls: dict[str, int], delay: DelayEstimator
    ) -> list[GapSnapshot]:
        """Put what changed since the last call; return the gaps among it.

        Args:
            now: host's time, ns.
            stalls: by device, how often reading had to wait.
            delay: has the estimate of the gauge's delay.
        """
        gaps = self._pipeline.take_gap_snapshots()
        self._put_gap_messages(self._gaps.take(gaps, now))
        for row in self._pipeline.coverage.take_dirty_lines():
            self._put_line(row)
        self._put_checks(self._pipeline.suspect_cells.take_changed())
        self._put_alarms(self._pipeline.alarms.take_changed())
        self._put_requests(gaps)
        if self._pipeline.revision_counts != self._revisions:
            self._put_revisions()
        if self._pipeline.spurious.register.take_changed():
            self._put_confirm()
        if now >= self._progress_due:
            # Counted from when it was due, so that ticks do not stretch the interval.
            self._progress_due = max(self._progress_due + self._progress_interval, now)
            self.put_progress()
        if now >= self._ports_due:
            self._ports_due = now + _PORT_INTERVAL_NS
            self.put_ports(stalls, delay)
        return gaps

    def put_progress(self) -> None:
        """Put the progress."""
        message = ProgressMessage.of(self._pipeline.progress(), self._heading())
        self._mirror.put(self.topics.progress, message)

    def put_ports(
        self, stalls: dict[str, int] | None = None, delay: DelayEstimator | None = None
    ) -> None:
        """Put the health of every port, in a run with the gauge's estimated delay."""
        heading, applied = self._heading(), self._pipeline.delay_snapshots()
        for device, tally in self._pipeline.tallies.items():
            message = PortMessage.of_tally(
                device,
                tally,
                heading,
                stalls=(stalls or {}).get(device, 0),
                delay=delay.newest if delay is not None and device == delay.gauge else None,
                applied=applied.get(device),
            )
            self._mirror.put(self.topics.port(device), message)

    def _put_gap_messages(self, gaps: Sequence[GapSnapshot]) -> None:
        heading = self._heading()
        for gap in gaps:
            topic, message = self.topics.gap(gap.number), GapMessage.of(gap, heading)
            urgent = self._is_urgent(gap.number, gap.end)
            # A cell that came and went within a tick, or less than is published, changes nothing.
            if urgent or not self._states_the_same(topic, message):
                self._mirror.put(topic, message, urgent=urgent)

    def _states_the_same(self, topic: str, message: Message) -> bool:
        """Return whether a topic's newest message states the same, at another time."""
        newest = self._mirror.messages.get(topic)
        return newest is not None and newest.model_copy(update={"time": message.time}) == message

    def _is_urgent(self, key: int, status: object) -> bool:
        """Return whether a gap or alarm is new or has another status; another size is not urgent."""
        urgent = key not in self._urgent or self._urgent[key] != status
        self._urgent[key] = status
        return urgent or self._hurried

    def _put_alarms(self, alarms: list[Alarm]) -> None:
        if not alarms:
            return
        heading = self._heading()
        for alarm in alarms:
            message = AlarmMessage.of_alarm(alarm, heading)
            status = alarm.until, alarm.acknowledged_by
            urgent = self._is_urgent(-alarm.number, status)
            self._mirror.put(self.topics.alarm(alarm.number), message, urgent=urgent)
        self._put_alarm_count()

    def _put_alarm_count(self) -> None:
        message = AlarmsMessage.of_alarms(self._pipeline.alarms.alarms, self._heading())
        if not self._states_the_same(self.topics.alarms, message):
            self._mirror.put(self.topics.alarms, message)

    def _put_requests(self, gaps: list[GapSnapshot]) -> None:
        """Put the operator requests, if they or their gaps changed."""
        requests = self._pipeline.requests
        wanted = {one.number for one in requests.gaps}
        if requests.changed or any(gap.number in wanted for gap in gaps):
            self._put_wanted()
        if len(requests.zones) != self._zones:
            self.put_state(self._decided)  # its plan has the zones

    def _put_revisions(self) -> None:
        self._revisions = self._pipeline.revision_counts
        snapshots = self._pipeline.revision_snapshots()
        message = RevisionsMessage.of_revisions(snapshots, self._heading())
        self._mirror.put(self.topics.revisions, message)

    def _put_confirm(self) -> None:
        register = self._pipeline.spurious.register
        register.take_changed()
        places = listed_snapshots(register, self._pipeline.grid)
        message = ConfirmMessage.of_places(places, self._heading())
        self._mirror.put(self.topics.confirm, message)

    def _put_wanted(self) -> None:
        requests = self._pipeline.requests
        requests.changed = False
        gaps = {gap.number: gap for gap in self._pipeline.open_gap_snapshots()}
        message = RescanMessage.of_wanted(
            [(one, gaps[one.number]) for one in requests.gaps if one.number in gaps],
            self._heading(),
        )
        self._mirror.put(self.topics.rescan, message)

    def _put_checks(self, checks: list[Check]) -> None:
        if not checks:
            return
        heading = self._heading()
        for check in checks:
            message = CheckMessage.of_check(check, heading)
            self._mirror.put(self.topics.check(check.number), message)

    def _put_line(self, row: int) -> None:
        topic = self.topics.line(row)
        message = line_message(
            self._pipeline.line_snapshot(row),
            self._heading(),
            resolution=self._pipeline.grid.scan.resolution,
        )
        if self._hurried or not self._states_the_same(topic, message):
            self._mirror.put(topic, message, urgent=self._hurried)


def _ended(gap: GapSnapshot, time: int) -> GapSnapshot:
    """Return a gap that the survey, placed again at `time`, ns UTC, does not have."""
    return gap.model_copy(
        update={
            "status": "closed",
            "closed": gap.closed or moment(time),
            "end": GapEnd.PLACED_AGAIN,
            "merged_into": None,
        }
    )
