"""From the pipeline's notes to the mirror's messages."""

from __future__ import annotations

from swathe.live.delay_keeper import DelayKeeper
from swathe.live.mirror import Mirror
from swathe.messages import (
    CheckMessage,
    GapMessage,
    LineMessage,
    PortMessage,
    ProgressMessage,
    StateMessage,
    Topics,
    moment,
)
from swathe.pipeline import Check, GapNote, Pipeline

__all__ = ["Publisher"]

# Ports' health is told this often while it changes.
_PORT_INTERVAL_NS = 1_000_000_000


class Publisher:
    """Puts what changed into the mirror, each kind at its own pace.

    Args:
        mirror: where the messages go.
        pipeline: where the notes come from.
        progress_interval_ns: progress is told no more often than this.
    """

    def __init__(self, mirror: Mirror, pipeline: Pipeline, *, progress_interval_ns: int) -> None:
        self._mirror = mirror
        self._pipeline = pipeline
        self.topics = Topics(pipeline.station.name)
        self._progress_interval = progress_interval_ns
        self._progress_due = 0
        self._ports_due = 0

    def put_all(self) -> None:
        """Put the whole survey as it is; for the start of a run, which may resume an older one."""
        pipeline = self._pipeline
        pipeline.take_gap_notes()
        self._put_gaps(pipeline.gap_notes())
        for row in range(pipeline.grid.shape[0]):
            if pipeline.coverage.line_done(row):
                self._put_line(row)
        pipeline.doubt.take_changed()
        self._put_checks(pipeline.doubt.book.checks)
        self.put_state("scanning")

    def put_state(self, state: str, reason: str = "") -> None:
        """Put the station's state."""
        self._mirror.put(self.topics.state, self.state(state, reason))

    def state(self, state: str, reason: str = "") -> StateMessage:
        """Return a state message."""
        return StateMessage.model_validate(
            {
                "station": self._pipeline.station.name,
                "survey": self._pipeline.survey,
                "time": moment(self._pipeline.progress().time),
                "state": state,
                "reason": reason,
                "part": self._pipeline.station.survey.part,
            }
        )

    def put_changes(self, now: int, stalls: dict[str, int], delay: DelayKeeper) -> list[GapNote]:
        """Put what changed since the last call; return the gaps among it.

        Args:
            now: host's time, ns.
            stalls: by device, how often reading had to wait.
            delay: what is known of the gauge's delay.
        """
        gaps = self._pipeline.take_gap_notes()
        self._put_gaps(gaps)
        for row in self._pipeline.coverage.take_dirty_lines():
            self._put_line(row)
        self._put_checks(self._pipeline.doubt.take_changed())
        if now >= self._progress_due:
            self._progress_due = now + self._progress_interval
            self.put_progress()
        if now >= self._ports_due:
            self._ports_due = now + _PORT_INTERVAL_NS
            self.put_ports(stalls, delay)
        return gaps

    def put_progress(self) -> None:
        """Put the progress as it stands."""
        progress = self._pipeline.progress()
        message = ProgressMessage.of(
            progress, station=self._pipeline.station.name, survey=self._pipeline.survey
        )
        self._mirror.put(self.topics.progress, message)

    def put_ports(self, stalls: dict[str, int], delay: DelayKeeper) -> None:
        """Put the health of every port, and with the gauge's what is known of its delay."""
        time = moment(self._pipeline.progress().time)
        for device, tally in self._pipeline.tallies.items():
            message = PortMessage.of(
                device,
                tally,
                stalls=stalls.get(device, 0),
                delay=delay.newest if device == delay.gauge else None,
                station=self._pipeline.station.name,
                survey=self._pipeline.survey,
                time=time,
            )
            self._mirror.put(self.topics.port(device), message)

    def _put_gaps(self, notes: list[GapNote]) -> None:
        time = moment(self._pipeline.progress().time)
        for note in notes:
            message = GapMessage.of(
                note,
                station=self._pipeline.station.name,
                survey=self._pipeline.survey,
                time=time,
            )
            self._mirror.put(self.topics.gap(note.number), message)

    def _put_checks(self, checks: list[Check]) -> None:
        if not checks:
            return
        time = moment(self._pipeline.progress().time)
        for check in checks:
            message = CheckMessage.of(
                check,
                station=self._pipeline.station.name,
                survey=self._pipeline.survey,
                time=time,
            )
            self._mirror.put(self.topics.check(check.number), message)

    def _put_line(self, row: int) -> None:
        message = LineMessage.of(
            self._pipeline.line_note(row),
            station=self._pipeline.station.name,
            survey=self._pipeline.survey,
            time=moment(self._pipeline.progress().time),
        )
        self._mirror.put(self.topics.line(row), message)
