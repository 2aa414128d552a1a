"""Leads through the steps of a block in one calibration check, and journals what is read there."""

from __future__ import annotations

from typing import Any, Protocol

from swathe.journal import MarkKind
from swathe.pipeline import CheckPhase
from swathe.station import CarriageProbe, VerificationSettings

__all__ = ["CheckSteps", "Journal"]


class Journal(Protocol):
    """Whatever takes marks."""

    def mark(self, kind: MarkKind, **detail: Any) -> None:  # noqa: ANN401  JSON values
        """Journal a mark."""
        ...


class CheckSteps:
    """The order of the steps of one check; `swathe verify` and a run make it alike.

    Args:
        settings: the steps.
        journal: takes the marks.
        phase: before, at an interval or after the scan.
        by: who checks.
        off_part: whether a hand carries the probe from the part, in a run that scans.
        probe: which one of several is checked.

    Attributes:
        number: of the step that is to be read, from 1; one more than there are once all are read.
    """

    def __init__(
        self,
        settings: VerificationSettings,
        journal: Journal,
        *,
        phase: CheckPhase,
        by: str,
        off_part: bool = False,
        probe: CarriageProbe | None = None,
    ) -> None:
        self._settings, self._journal = settings, journal
        self.number = 1
        where: dict[str, Any] = {"off_part": True} if off_part else {}
        if probe is not None:
            where |= {"probe": probe.number, "probe_name": probe.name}
        journal.mark(
            MarkKind.CHECK_BEGUN,
            phase=str(phase),
            by=by,
            tolerance=settings.tolerance,
            block=settings.block,
            **where,
        )

    @property
    def thickness(self) -> float | None:
        """Thickness of the step that is to be read, mm; None once all are read."""
        steps = self._settings.steps
        return steps[self.number - 1] if self.number <= len(steps) else None

    def read(self, begin: int, end: int) -> None:
        """Take the readings from one host time to another, ns, for the step, and go to the next."""
        self._journal.mark(
            MarkKind.CHECK_STEP,
            thickness=self.thickness,
            step=self.number,
            begin=begin,
            end=end,
        )
        self.number += 1

    def back(self) -> None:
        """Go back to the step before, which is to be read again."""
        self.number = max(self.number - 1, 1)

    def end(self, *, stays_off: bool = False) -> None:
        """End the check, with its verdict.

        Args:
            stays_off: whether the check of another probe follows, for which it stays off the part.
        """
        self._journal.mark(MarkKind.CHECK_ENDED, **_where(stays_off))

    def give_up(self, by: str, because: str, *, stays_off: bool = False) -> None:
        """End the check without a verdict: it does not count."""
        self._journal.mark(MarkKind.CHECK_GIVEN_UP, by=by, because=because, **_where(stays_off))

    def skip(self, by: str, because: str, *, stays_off: bool = False) -> None:
        """Leave the probe out of the round: its check does not count, and is due later."""
        self._journal.mark(
            MarkKind.CHECK_GIVEN_UP, by=by, because=because, skipped=True, **_where(stays_off)
        )


def _where(stays_off: bool) -> dict[str, bool]:
    return {"off_part": True} if stays_off else {}
