"""Entries that are rare: notes and lists, and what a damaged journal has lost."""

from __future__ import annotations

from typing import Any

from swathe.journal import Lost, Mark, MarkKind
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placed import PlacingObserver
from swathe.pipeline.stages import SurveyStages
from swathe.station import Station, gauge_of

__all__ = ["RareEntries"]


class RareEntries(SurveyStages):
    """Takes notes, marks that only change lists, and losses of a damaged journal.

    Args:
        station: as for `SurveyState`.
        observer: receives placed readings and the probe's path.

    Attributes:
        inherited: what the present run took over, as the detail of its mark ``inherited``.
    """

    def __init__(self, station: Station, *, observer: PlacingObserver | None = None) -> None:
        super().__init__(station, observer=observer)
        self.inherited: dict[str, Any] = {}

    def _inheritance(
        self, inputs: DeviceInputs, not_by_counts: tuple[str, ...], *, carried: bool
    ) -> dict[str, Any]:
        """Return what a run takes over, as the detail of its mark ``inherited``.

        Args:
            inputs: of the run, before it begins.
            not_by_counts: axes whose counts alone do not give the position.
            carried: whether no axis has a position.
        """
        pauses = self.pauses
        return {
            "axes": list(inputs.positions.names if carried else not_by_counts),
            "line": None if inputs.stepped is None else inputs.stepped.line,
            "paused": {"by": pauses.by, "because": pauses.because} if pauses.active else None,
        }

    def _inherit(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        """Apply what the run took over, where marks before it are lost."""
        detail = mark.detail
        if not self.losses.inherit(mark.time):
            return
        self._advance(inputs, None, flush=True)
        inputs.count_again(detail["axes"], mark.time)
        if inputs.stepped is not None and detail["line"] is not None:
            inputs.stepped.set_line(int(detail["line"]), mark.time, doubt=True)
        if detail["paused"] is not None:
            self.pauses.begin(mark.time, **detail["paused"], from_start=True)
        self._alarm_evaluation.state_changed()

    def _where_read(self, inputs: DeviceInputs, mark: Mark) -> Mark | None:
        """Return a mark of a spot with offsets in what is left of the gauge's stream.

        None if it does not say how much of the stream was before it, or some of its bytes are lost.
        """
        if mark.kind is not MarkKind.SPOT_READ or not self.losses.bytes_lost:
            return mark
        if (received := mark.detail.get("received")) is None:
            return None
        shift = inputs.links[gauge_of(self.station)].received - int(received)
        first, last = (int(mark.detail[name]) + shift for name in ("first", "last"))
        if first < self.losses.offset:
            return None
        return mark._replace(detail={**mark.detail, "first": first, "last": last})

    def _take_lost(self, lost: Lost) -> None:
        """Take note of a damage of the journal; what comes after lost bytes continues nothing."""
        inputs = self._inputs
        now = 0 if inputs is None else self._now
        new = self.losses.add(lost, now=now, utc_offset=self._utc_offset)
        if not new or inputs is None or not lost.bytes_lost:
            return
        inputs.end_answers(self._now)
        for device in inputs.links:
            self._decode(inputs, device, flush=True)
        self._advance(inputs, None)
        self.losses.offset = inputs.links[gauge_of(self.station)].received
        for link in inputs.links.values():
            link.lose(link.tally.state, link.tally.detail)
        inputs.lose_bytes(self._now, until=lost.until)
        self.lifts.break_off(self._now)
        self.coverage.break_off()
        if self.spots is not None:
            self.spots.interrupt()
        self._alarm_evaluation.state_changed()

    def _add_note(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.notes.append((now, str(mark.detail["text"])))

    def _take_setup_mark(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.setup.take(mark, now)

    def _list_revision(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.revisions.take(mark.kind, mark.detail, now)

    def _take_motion_mark(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.crawler.take(mark, now)

    def _take_first_move(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.crawler.take_first_move(mark, now)

    def _plan_raster(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self.coverage.plan_raster(mark.detail, mark.time)

    def _begin_stretch(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self.coverage.begin_stretch(int(mark.detail["number"]), mark.time)

    def _take_health(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self._alarm_evaluation.add_conditions([Condition.of_mark(mark)])
