"""The alarm of slips: one for all that nobody has acknowledged yet."""

from __future__ import annotations

from swathe.pipeline.alarms.register import Alarm, AlarmRegister
from swathe.pipeline.checks.slipped_cells import FoundSlip, SlippedCells
from swathe.station import AlarmKind

__all__ = ["SlipAlarm"]


class SlipAlarm:
    """Raises an alarm where an axis slips.

    It lasts while positions are unsound, and until somebody has acknowledged it; a slip after that
    raises another one. The end of the run ends it.

    Args:
        slipped_cells: the slips.
        register: where the alarm is raised.
    """

    def __init__(self, slipped_cells: SlippedCells, register: AlarmRegister) -> None:
        self._slipped = slipped_cells
        self._register = register
        self._alarm: Alarm | None = None
        self._shown = 0
        self._first = 0

    def evaluate(self, time: int) -> None:
        """Raise, change or end the alarm at `time`, ns UTC."""
        slips, alarm = self._slipped.slips, self._alarm
        fresh = len(slips) > self._shown
        if alarm is not None and alarm.acknowledged_by and (fresh or not self._slipped.in_force):
            self.end(time)
            alarm = None
        if AlarmKind.SLIP in self._register.settings.off:
            self._shown = len(slips)
        elif alarm is None and (fresh or self._slipped.in_force):
            self._first = self._shown if fresh else len(slips) - 1
            self._shown = len(slips)
            self._alarm = self._register.raise_alarm(
                AlarmKind.SLIP, self._detail(slips[self._first :]), since=slips[self._first].time
            )
            self._locate(self._alarm, slips[-1])
        elif alarm is not None and fresh:
            self._shown = len(slips)
            alarm.detail = self._detail(slips[self._first :])
            self._locate(alarm, slips[-1])
            self._register.add_change(alarm)

    def _locate(self, alarm: Alarm, slip: FoundSlip) -> None:
        at = (slip.position, slip.position)
        alarm.scan, alarm.index = (at, None) if slip.axis == "scan" else (None, at)

    def end(self, time: int) -> None:
        """End the alarm at `time`, ns UTC, if there is one."""
        if self._alarm is not None:
            self._register.end(self._alarm, time)
            self._alarm = None

    def _detail(self, slips: list[FoundSlip]) -> str:
        """Return what is shown of slips, in their order."""
        last, units = slips[-1], self._register.units
        cells = sum(slip.cells for slip in slips)
        far = units.with_unit(units.number(abs(last.distance), 1))
        side = "behind" if last.distance < 0 else "ahead of"
        first = f"{len(slips)} slips, the last: " if len(slips) > 1 else ""
        return (
            f"{first}{last.axis} is {far} {side} its second source; {cells:,} cells since both "
            "agreed are suspect, and readings until it is set to a position"
        )
