"""What a run continues: the plan of its survey, and the zones that its station file adds."""

from __future__ import annotations

import functools
import platform
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from typing import Any

from swathe.journal import Mark, MarkKind, segment_paths
from swathe.station import ExclusionSettings, Station, texts_for_journal
from swathe.store import SurveyFolder, check_same_survey, last_entry_time, zones_since

__all__ = ["Continuation", "begin_time", "continuation", "versions"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def versions() -> dict[str, str]:
    """Return the versions in force, for the journal."""
    packages = ("swathe", "numpy", "zarr", "mcap", "pyserial")
    return {"python": platform.python_version(), **{name: _version(name) for name in packages}}


@functools.cache
def _version(package: str) -> str:
    return version(package)


@dataclass(frozen=True, slots=True)
class Continuation:
    """What a new run finds.

    Attributes:
        survey: identity of the survey; a new one before its first run.
        plan: station file whose grid and zones hold.
        zones: that the run adds to it.
    """

    survey: str
    plan: Station
    zones: tuple[ExclusionSettings, ...] = ()

    def opening(self, station: Station, text: str, purpose: str, because: str) -> dict[str, Any]:
        """Return the detail of the mark that opens the run, but for its time.

        Args:
            station: the station file, and
            text: its text.
            purpose: of the run.
            because: why decisive keys were changed since the last run; left out without a reason.
        """
        return {
            "survey": self.survey,
            "station": text,
            "versions": versions(),
            "purpose": purpose,
            **({"because": because} if because else {}),
            **texts_for_journal(station),
        }

    def marks(self, time: int) -> list[Mark]:
        """Return the marks that exclude the zones, for the host's time in ns."""
        details = [zone.model_dump(mode="json") | {"by": "station file"} for zone in self.zones]
        return [Mark(time, MarkKind.ZONE_EXCLUDED, detail) for detail in details]


def continuation(
    folder: SurveyFolder, station: Station, purpose: str, because: str
) -> Continuation:
    """Return what a run of `station` continues.

    Args:
        folder: the survey, locked.
        station: of the run.
        purpose: of the run; one that does not scan changes no plan.
        because: as for `check_same_survey`.

    Raises:
        SurveyError: the station file is not one of this survey.
    """
    if not folder.begun:
        return Continuation(uuid.uuid4().hex[:12], station)
    survey = str(folder.first_opening().detail["survey"])
    if purpose != "scan":
        return Continuation(survey, folder.plan())
    plan = check_same_survey(folder, station, because=because)
    return Continuation(survey, plan, tuple(zones_since(folder, station)))


def begin_time(folder: SurveyFolder, clock: int) -> int:
    """Return the time that a run begins with: the clock's, or the end of the run before if that is later.

    A calibration check that fails makes suspect what was read after the last that passed, and so on: a
    time of a later run must not be before one of an earlier run, whatever the clock was set to meanwhile.

    Args:
        folder: the survey, locked.
        clock: ns UTC.
    """
    openings = [mark.detail for mark in folder.openings()] if folder.begun else []
    if not openings:
        return clock
    latest = max(int(detail["utc_ns"]) for detail in openings)
    last = openings[-1]
    counted_on = last.get("clock_ns", last["utc_ns"]) != last["utc_ns"]
    written = max(path.stat().st_mtime_ns for path in segment_paths(folder.journal))
    if not counted_on and clock >= max(latest, written):
        return clock  # as a rule: the journal's end need not be read
    if (end := last_entry_time(folder)) is not None:
        latest = max(latest, (end - _EPOCH) // timedelta(microseconds=1) * 1000 + 1000)
    return max(clock, latest)
