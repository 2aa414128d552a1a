"""The alarm about a lost position of an axis, with what makes it known again."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind

__all__ = ["PositionConditions"]


class PositionConditions:
    """The conditions of one axis.

    Args:
        name: of the axis.
        has_mark: whether an index mark sets its position.
        units: in which lengths are shown.

    Attributes:
        changes: whether the position is lost, as that changed since they were taken last.
    """

    def __init__(self, name: str, units: DisplayUnits, *, has_mark: bool) -> None:
        self._name = name
        self._units = units
        self._has_mark = has_mark
        self.changes: list[Condition] = []

    def jumped(self, known: int, place: float | None, jump: float) -> None:
        """The counter jumped by `jump`, mm, where the position was `place`, mm, at a journal time, ns."""
        shown = self._units.number(jump, 1, sign=True)
        self.lost(known, place or 0.0, f"the counter jumped by {self._units.with_unit(shown)}")

    def lost(self, known: int, place: float, why: str) -> None:
        """The position was lost at `place`, mm."""
        where = self._units.place_text(place)
        self._add(known, f"{self._name} position lost at {where}: {why}; {self._way_back()}")

    def unknown(self, known: int, why: str) -> None:
        """The position is unknown from the start of a run."""
        back = self._way_back()
        self._add(known, f"{self._name} position {why}, and is unknown in this one; {back}")

    def found(self, known: int) -> None:
        """The position is known again."""
        self.changes.append(Condition(AlarmKind.POSITION, self._name, known, False))

    def _add(self, known: int, text: str) -> None:
        self.changes.append(Condition(AlarmKind.POSITION, self._name, known, True, text))

    def _way_back(self) -> str:
        name = self._name
        back = (
            f"put the probe at a known place and give it (key i, page, or 'reference' with {name})"
        )
        return f"pass the index mark, or {back}" if self._has_mark else back
