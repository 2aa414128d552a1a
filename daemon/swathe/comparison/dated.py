"""A survey with the time at which it was measured, and how far that time is trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from swathe.comparison.survey_errors import SurveyErrors
from swathe.errors import SurveyError, SwatheError
from swathe.evaluation import CellSource
from swathe.station import AlarmKind, Station
from swathe.store import SurveyFolder, SurveyRecord, open_arrays, read_verified_record

__all__ = ["DAYS_PER_YEAR", "DatedSurvey", "SurveyDate", "years_between"]

DAYS_PER_YEAR = 365.25
"""Days of a Julian year, in which all rates are."""

_CLOCK = (AlarmKind.CLOCK_NOT_SET, AlarmKind.CLOCK_STEPPED)
# A period of measuring so long, against the years between, is worth a note.
_LONG_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class DatedSurvey:
    """A survey to be compared.

    Attributes:
        name: its path, or what it is called.
        source: its cells.
        begin: when its first run began, UTC by the computer's clock.
        end: time of its record.
        record: of the survey; None of arrays without one.
        station: its station file; None where it cannot be read.
        errors: that a person states; None where those of the record are taken.
        clock_notes: why its times are not trusted; empty where nothing speaks against them.
        unverified: why record and arrays are not verified; empty if they are.
    """

    name: str
    source: CellSource
    begin: datetime
    end: datetime
    record: SurveyRecord | None = None
    station: Station | None = None
    errors: SurveyErrors | None = None
    clock_notes: tuple[str, ...] = ()
    unverified: str = ""

    @property
    def moment(self) -> datetime:
        """The middle of the time in which it was measured."""
        return self.begin + (self.end - self.begin) / 2

    @classmethod
    def of_folder(cls, folder: SurveyFolder, *, shared: float | None = None) -> DatedSurvey:
        """Return the survey in a folder.

        Args:
            folder: the survey.
            shared: standard uncertainty that all its readings share, where a person states it, mm.

        Raises:
            SurveyError: it is missing or damaged; the text has the remedy.
            SwatheError: it is a survey of spots.
        """
        folder.require()
        record, unverified = read_verified_record(folder)
        if record.spots:
            message = f"{folder.path}: is a survey of spots, which have no area to compare"
            raise SwatheError(message)
        station, begin = None, record.progress.time
        try:
            station = folder.plan()
            begin = datetime.fromtimestamp(
                int(folder.first_opening().detail["utc_ns"]) / 1e9, tz=UTC
            )
        except (SurveyError, KeyError, ValueError, OSError):
            # Without its journal a survey still has its record: the time of its end is taken.
            station = None
        notes = tuple(
            f"{alarm.kind}, {alarm.since:%Y-%m-%d}: {alarm.detail}"
            for alarm in record.alarms
            if alarm.kind in _CLOCK
        )
        place = 0.0 if record.place is None else record.place.standard_mm
        return cls(
            str(folder.path),
            CellSource.of(open_arrays(folder)),
            min(begin, record.progress.time),
            record.progress.time,
            record,
            station,
            None if shared is None else SurveyErrors.stated(shared, place=place),
            notes,
            unverified,
        )


@dataclass(frozen=True, slots=True)
class SurveyDate:
    """What of a survey is kept of each of very many: no record, no cells.

    Attributes:
        name: its path or URL.
        part: of which part it is.
        area: of which area.
        begin: see `DatedSurvey`.
        end: likewise.
        resolution: of its cells along (scan, index), mm.
        clock_notes: see `DatedSurvey`.
        unverified: likewise.
    """

    name: str
    part: str
    area: str
    begin: datetime
    end: datetime
    resolution: tuple[float, float]
    clock_notes: tuple[str, ...]
    unverified: str

    @classmethod
    def of(cls, survey: DatedSurvey) -> SurveyDate:
        """Return what is kept of a survey."""
        record = survey.record
        return cls(
            survey.name,
            "" if record is None else record.part,
            "" if record is None else record.area,
            survey.begin,
            survey.end,
            (survey.source.scan.resolution, survey.source.index.resolution),
            survey.clock_notes,
            survey.unverified,
        )

    @property
    def moment(self) -> datetime:
        """The middle of the time in which it was measured."""
        return self.begin + (self.end - self.begin) / 2


def years_between(earlier: DatedSurvey, later: DatedSurvey) -> tuple[float, tuple[str, ...]]:
    """Return the years from one survey to another, and what is to be said of them.

    Raises:
        SwatheError: the later one is not later.
    """
    apart = later.moment - earlier.moment
    if apart <= timedelta(0):
        message = (
            f"{later.name} was measured before {earlier.name} ({later.moment:%Y-%m-%d} and "
            f"{earlier.moment:%Y-%m-%d}, by their clocks): give the older survey first, or the years "
            "between them where a clock was wrong"
        )
        raise SwatheError(message)
    notes = [
        f"{one.name}: its date is not trusted: {note}"
        for one in (earlier, later)
        for note in one.clock_notes
    ]
    notes += [
        f"{one.name} was measured from {one.begin:%Y-%m-%d} to {one.end:%Y-%m-%d}: its middle is taken"
        for one in (earlier, later)
        if one.end - one.begin > max(_LONG_SHARE * apart, timedelta(days=1))
    ]
    return apart.total_seconds() / (DAYS_PER_YEAR * 86400), tuple(notes)
