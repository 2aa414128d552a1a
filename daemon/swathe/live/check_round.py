"""A round of calibration checks: each probe of the carriage over all steps of the block, in turn."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.live.check_steps import CheckSteps, Journal
from swathe.messages import CheckResult
from swathe.pipeline import CheckPhase
from swathe.station import CarriageProbe, Station, VerificationSettings, probes_of

__all__ = ["CheckRound", "probes_to_check"]


class CheckRound:
    """Leads through the probes; `swathe verify` and a run make a round alike.

    Each probe has a check of its own, which begins as that of the one before ends.

    Args:
        settings: the steps.
        journal: takes the marks.
        probes: which are checked, in this order; at least one.
        named: whether the station has several, so that checks name theirs.
        phase: before, at an interval or after the scan.
        by: who checks.
        off_part: whether a hand carries the probes from the part, in a run that scans.

    Attributes:
        steps: of the check in progress.
        results: what came of each probe, in their order.
    """

    def __init__(
        self,
        settings: VerificationSettings,
        journal: Journal,
        probes: Sequence[CarriageProbe],
        *,
        named: bool,
        phase: CheckPhase,
        by: str,
        off_part: bool = False,
    ) -> None:
        self._settings, self._journal, self._named = settings, journal, named
        self._phase, self._by, self._off_part = phase, by, off_part
        self.probes = tuple(probes)
        self.results = [CheckResult.TO_CHECK] * len(self.probes)
        self._at = 0
        self.steps = self._begin()

    def _begin(self) -> CheckSteps:
        self.results[self._at] = CheckResult.ON_BLOCK
        return CheckSteps(
            self._settings,
            self._journal,
            phase=self._phase,
            by=self._by,
            off_part=self._off_part,
            probe=self.probe if self._named else None,
        )

    @property
    def probe(self) -> CarriageProbe:
        """The probe that is on the block, or is to be put there."""
        return self.probes[self._at]

    @property
    def name(self) -> str:
        """Its name; empty where the station has one probe."""
        return self.probe.name if self._named else ""

    @property
    def head(self) -> str:
        """The probe as it begins a prompt; empty where the station has one."""
        if not self._named:
            return ""
        number = f", {self._at + 1} of {len(self.probes)}" if len(self.probes) > 1 else ""
        return f"probe {self.name}{number}: "

    @property
    def is_last(self) -> bool:
        """Whether no probe follows."""
        return self._at + 1 == len(self.probes)

    def end(self) -> None:
        """End the check of this probe, with its verdict."""
        self.steps.end(stays_off=self._off_part and not self.is_last)

    def skip(self, by: str, because: str) -> None:
        """Leave this probe out: its check does not count."""
        self.steps.skip(by, because, stays_off=self._off_part and not self.is_last)

    def continue_after(self, result: CheckResult) -> bool:
        """Take what came of this probe and begin the next one's check; return False after the last."""
        self.results[self._at] = result
        if self.is_last:
            return False
        self._at += 1
        self.steps = self._begin()
        return True

    def back(self) -> bool:
        """Begin the check of the probe before again, before any step of this one; False at the first."""
        if not self._at:
            return False
        self.steps.give_up(self._by, "the probe before is checked again", stays_off=self._off_part)
        self.results[self._at] = CheckResult.TO_CHECK
        self._at -= 1
        self.steps = self._begin()
        return True


def probes_to_check(station: Station, name: str | None) -> tuple[CarriageProbe, ...] | str:
    """Return the probes of a round: all, or the one of that name; a text where there is none such."""
    probes = probes_of(station).probes
    if not name:
        return probes
    found = tuple(probe for probe in probes if probe.name.casefold() == name.casefold())
    if found:
        return found
    known = ", ".join(probe.name for probe in probes if probe.name)
    return f"there is no probe {name!r}: the station has {known or 'one without a name'}"
