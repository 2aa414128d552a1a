"""When a calibration check is asked for: it is due, and the line has ended on which the probe was."""

from __future__ import annotations

from swathe.pipeline import Pipeline
from swathe.station import VerificationSettings

__all__ = ["DueCheck"]


class DueCheck:
    """Follows the lines once a check is due.

    Args:
        settings: the table ``[verification]``; None for none.

    Attributes:
        line_ended: whether the line ended on which the probe was as the check became due.
    """

    def __init__(self, settings: VerificationSettings | None) -> None:
        self._interval = settings.interval if settings else None
        self._row: int | None = None
        self.line_ended = False

    def overdue(self, pipeline: Pipeline) -> int | None:
        """Return by how much a check is overdue, ns; None while none is, and during one."""
        checks = pipeline.suspect_cells.checks
        due = checks.due(self._interval, len(pipeline.carriage.probes))
        if due is None or checks.in_progress or (late := pipeline.time - due) <= 0:
            return None
        return late

    def probes(self, pipeline: Pipeline) -> tuple[str, ...]:
        """Return whose check is overdue; none of a station with one probe."""
        if not pipeline.carriage.has_several:
            return ()
        due = pipeline.suspect_cells.checks.due_by_probe(
            self._interval, len(pipeline.carriage.probes)
        )
        probes = pipeline.carriage.probes.probes
        return tuple(
            one.name for one in probes if one.number in due and pipeline.time > due[one.number]
        )

    def follow(self, pipeline: Pipeline) -> None:
        """Find whether the line has ended; called in each tick."""
        if self.overdue(pipeline) is None:
            self._row, self.line_ended = None, False
            return
        row = _row(pipeline)
        if self._row is None:
            self._row = row
        self.line_ended |= row != self._row or pipeline.grid.index.cells == 1


def _row(pipeline: Pipeline) -> int:
    """Return the line on which the probe is."""
    index, place = pipeline.grid.index, pipeline.position[1]
    if not pipeline.station.index_encoded or place is None:
        return pipeline.line
    return round((place - index.start) / index.resolution)
