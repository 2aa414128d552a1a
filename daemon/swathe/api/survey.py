"""A survey folder from Python: its record, its arrays, its gaps, and a replay of its journal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from swathe.api.amending import amendment, end_of_replay
from swathe.api.comparing import ComparisonWishes, compare_surveys
from swathe.comparison import Comparison
from swathe.errors import SurveyError
from swathe.evaluation import Evaluation, EvaluationWishes, Zone, evaluate_arrays
from swathe.export import ReadingParts, export_survey, readings_dataset
from swathe.messages import GapMessage
from swathe.object_storage import survey_path
from swathe.pipeline import Pipeline
from swathe.station import Station, kept_channels, read_station
from swathe.store import (
    REBUILD,
    SurveyFolder,
    SurveyRecord,
    advice,
    dataset_of,
    open_arrays,
    open_dataset,
    read_verified_record,
    record_of,
    replay,
    run_attributes,
    survey_attributes,
    unverified_reason,
)

if TYPE_CHECKING:
    import xarray

__all__ = ["Replay", "Survey", "load_station", "open_survey"]


def load_station(path: Path | str) -> Station:
    """Return the station file at `path`, checked whole.

    Lengths are mm, times ns, velocities mm/µs, whatever units the file has.

    Raises:
        StationError: the file is missing or wrong; the error lists every problem with its key.

    Example:
        >>> import swathe
        >>> station = swathe.load_station("station.toml")
        >>> station.scan_axis.cells, station.scan_axis.resolution
        (21, 1.0)
    """
    return read_station(Path(path))[0]


def open_survey(path: Path | str) -> Survey:
    """Return the survey in the folder `path`, for reading; a run may write to it meanwhile.

    `path` may be a URL of object storage, such as ``s3://surveys/penstock-3``, with the extra ``storage``.

    Raises:
        SurveyError: the folder is missing or holds no survey.
        SwatheError: the storage cannot be reached, or refuses.

    Example:
        >>> import swathe
        >>> survey = swathe.open_survey("penstock-3")
        >>> survey.record.progress.percent
        90.47
        >>> [(gap.cause.value, gap.scan.low, gap.scan.high) for gap in survey.gaps]
        [('no signal', 7.5, 9.5)]
    """
    folder = SurveyFolder(survey_path(path))
    folder.require()
    return Survey(folder)


class Survey:
    """A survey folder; made by `open_survey`."""

    def __init__(self, folder: SurveyFolder) -> None:
        self._folder = folder

    def __repr__(self) -> str:
        return f"Survey({str(self.path)!r})"

    @property
    def path(self) -> Path:
        """The survey folder."""
        return self._folder.path

    @cached_property
    def station(self) -> Station:
        """The station file with which the survey began, from its journal.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        return self._folder.plan()

    @property
    def record(self) -> SurveyRecord:
        """Status, coverage, gaps, ports and calibration checks, as written last.

        Raises:
            SurveyError: the record is missing or damaged; ``swathe rebuild`` writes it again.
        """
        return read_verified_record(self._folder).record

    @property
    def gaps(self) -> tuple[GapMessage, ...]:
        """The open gaps, by number; `record` has the closed ones as well."""
        return tuple(self.record.open_gaps)

    @property
    def unverified(self) -> str:
        """Why record and arrays are not verified by their digests; empty if they can be.

        What is read and does not match its digest raises `SurveyError`, whatever this is.
        """
        return unverified_reason(self._folder)

    def arrays(self) -> xarray.Dataset:
        """Return the layers over (index, scan), read lazily; coordinates are in mm.

        Raises:
            SurveyError: the survey has no arrays, or what is read is not what was written;
                ``swathe rebuild`` writes them again.
            SwatheError: xarray is not installed; it comes with the extra ``xarray``.

        Example:
            >>> import swathe
            >>> arrays = swathe.open_survey("penstock-3").arrays()
            >>> arrays.thickness.dims, arrays.thickness.units
            (('index', 'scan'), 'mm')
            >>> round(float(arrays.thickness.min()), 1)
            10.0
        """
        if not self._folder.zarr.is_dir():
            remedy = advice(self._folder, REBUILD)
            raise SurveyError(self._folder.zarr, f"is missing: {remedy}")
        return open_dataset(self._folder.zarr)

    def evaluate(
        self,
        *,
        levels: Sequence[float | str] = (),
        lowest: int = 10,
        separation: float | None = None,
        zones: Sequence[Zone] = (),
        square: float | None = None,
        corners: bool = False,
        extremes: bool = False,
        not_scanned: float | None = None,
    ) -> Evaluation:
        """Return figures over all cells: statistics, low places, thin areas, profiles, extremes.

        Lengths are mm, areas mm² on the scanned surface.

        Args:
            levels: below which areas are counted: mm, lengths with their unit, or shares of the
                nominal thickness such as ``"80 %"``.
            lowest: so many low places, and so many thin areas a level are described.
            separation: least distance between the centres of two low places.
            zones: that are evaluated by themselves.
            square: side of squares that are evaluated by themselves.
            corners: whether cells that share only a corner are connected in thin areas.
            extremes: whether the probable minimum of the area not scanned is estimated; it requires
                squares.
            not_scanned: that area; what the plan requires and was not seen, unless given.

        Raises:
            SurveyError: there are no arrays, or what is read is not what was written.
            SwatheError: an argument is none, or the survey is one of spots.

        Example:
            >>> import swathe
            >>> found = swathe.open_survey("penstock-3").evaluate(levels=["10.5 mm"], lowest=2)
            >>> found.survey.measured, found.survey.cells, found.survey.not_read
            (19, 21, {'no_signal': 2})
            >>> [(round(place.thickness, 1), place.scan) for place in found.lowest]
            [(10.0, 0.0), (10.3, 3.0)]
            >>> [(area.scan, area.borders_edge) for area in found.thin[0].areas]
            [(Extent(low=-0.5, high=5.5), True)]
        """
        return evaluate_arrays(
            open_arrays(self._folder),
            record=self.record,
            levels=levels,
            lowest=lowest,
            separation=separation,
            zones=zones,
            square=square,
            corners=corners,
            extremes=extremes,
            not_scanned=not_scanned,
        )

    def compare(self, *older: Path | str, **wishes: Unpack[ComparisonWishes]) -> Comparison:
        """Return the survey compared with older ones of its part; lengths are mm.

        Args:
            older: their folders or URLs, the oldest first.
            wishes: as `swathe.compare_surveys` takes them.

        Raises:
            SurveyError: a survey is missing, or what is read is not what was written.
            SwatheError: the surveys cannot be compared; the text has the reason.

        Example:
            >>> import swathe
            >>> found = swathe.open_survey("penstock-3").compare("penstock-3", years=1.0)
            >>> sorted(found.dataset().data_vars)[:1], found.whole.pairs[0].pairs
            (['difference'], 19)
        """
        return compare_surveys([*older, self.path], **wishes)

    def readings(self, *, size: int = 1 << 18) -> Iterator[xarray.Dataset]:
        """Yield all readings with their places over ``reading``, from a replay, part by part.

        ``place`` is ``on plan``, or why a reading is in no cell. Readings are in the order in which
        they arrived; lengths are mm.

        Args:
            size: so many readings come in a part, or some more; the last one may have fewer.

        Raises:
            JournalError: the journal cannot be read.
            SwatheError: xarray is not installed.

        Example:
            >>> import swathe
            >>> (part,) = swathe.open_survey("penstock-3").readings()
            >>> used = part.valid & (part.place == "on plan")
            >>> round(float(part.thickness_mm.where(used).min()), 1)
            10.0
        """
        parts = ReadingParts(self._folder, size)
        for part in parts:
            yield readings_dataset(part, parts.shape)

    def export(
        self,
        to: str,
        out: Path | str | None = None,
        *,
        force: bool = False,
        lowest: int = 10,
        separation: float | None = None,
    ) -> Path:
        """Write the survey as a file that other programs read; return its path.

        Args:
            to: ``"csv"`` (all cells), ``"lowest"`` (the lowest places, CSV), ``"netcdf"`` (all layers),
                ``"parquet"`` (all readings with their places), ``"png"`` (the map to scale) or
                ``"diconde"`` (the map as an image file).
            out: the file; in the working directory, named after the survey, unless given.
            force: whether a file that is there is replaced.
            lowest: of the lowest places, how many.
            separation: least distance between the centres of two low places, mm.

        Raises:
            SurveyError: record or arrays are missing, or are not what was written.
            SwatheError: there is such a file, or it cannot be written; there is no such format, the
                survey has nothing of the kind, or a package of the extra ``export`` is missing.

        Example:
            >>> import swathe
            >>> swathe.open_survey("penstock-3").export("csv", "cells.csv").name
            'cells.csv'
        """
        options: dict[str, Any] = {}
        if to == "lowest":
            options = {"lowest": lowest, "separation": separation}
        target = None if out is None else Path(out)
        return export_survey(self._folder, to, target, force=force, **options)

    def report(
        self,
        path: Path | str,
        *,
        fill: Mapping[str, str] | None = None,
        lines: Sequence[float] = (),
        paper: str = "",
        **evaluation: Unpack[EvaluationWishes],
    ) -> Path:
        """Write the report of the survey, HTML or PDF by the name of its file; return its path.

        A file that is there is replaced. What is not verified, damaged or not seen is in the report.

        Args:
            path: of the file: ``.html`` or ``.pdf``.
            fill: entries of the cover by their key, instead of those of the station file's ``[report]``.
            lines: index positions of the lines to draw, mm; that of the lowest place unless given.
            paper: of the PDF: ``"a4"`` or ``"letter"``; by the survey's unit unless given.
            evaluation: what is evaluated, as `evaluate` takes it; the alert level is the level unless
                levels are given.

        Raises:
            SurveyError: the record is missing or is not the one that was written, or a line is
                outside the survey.
            SwatheError: an argument is none, the file cannot be written, or what PDF requires, the
                extra ``pdf``, is missing.

        Example:
            >>> import swathe
            >>> survey = swathe.open_survey("penstock-3")
            >>> survey.report("report.html", fill={"client": "Example Hydro"}, square=5.0).name
            'report.html'
        """
        from swathe.document import ReportWishes, write_report  # matplotlib takes long to import

        wishes = ReportWishes(fill=fill or {}, lines=lines, evaluation=evaluation)
        write_report(self._folder, [Path(path)], wishes, paper=paper)
        return Path(path)

    def replay(
        self,
        *,
        delays: Mapping[str, str | int] | None = None,
        calibration: Path | str | None = None,
        until: datetime | str | None = None,
    ) -> Replay:
        """Return what the survey's journal yields, in memory; nothing is written.

        The result equals the stored record and arrays unless a delay, calibration or end differs,
        and does not depend on either.

        Args:
            delays: by device, a duration such as ``"12 ms"`` or whole ns, to apply instead.
            calibration: calibration record file to apply instead.
            until: what came later is left out: a time with its offset from UTC, as a datetime or a
                text such as ``"2026-05-04T10:30:00Z"``, or a duration from the start of the first
                run, such as ``"90 min"``.

        Raises:
            SurveyError: the journal holds no run, or none until then.
            JournalError: the journal cannot be read.
            SwatheError: a delay names no device of the survey, or is no duration; `until` is no
                time.
            CalibrationError: the calibration record cannot be read.

        Example:
            >>> import swathe
            >>> survey = swathe.open_survey("penstock-3")
            >>> again = survey.replay()
            >>> again.arrays().identical(survey.arrays().load())
            True
            >>> later = survey.replay(delays={"gauge": "5 ms"})
            >>> later.record.delays_ms
            {'encoder': 0.0, 'gauge': 5.0}
            >>> survey.replay(until="1 s").record.status
            'scanning'
        """
        amend = amendment(
            self.station,
            delays=delays or {},
            calibration=None if calibration is None else Path(calibration),
        )
        return Replay(replay(self._folder, amend=amend, until=end_of_replay(self._folder, until)))


class Replay:
    """A survey as a replay of its journal yields it; made by `Survey.replay`."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline

    @cached_property
    def record(self) -> SurveyRecord:
        """Status, coverage, gaps, ports and calibration checks."""
        return record_of(self._pipeline)

    @property
    def gaps(self) -> tuple[GapMessage, ...]:
        """The open gaps, by number."""
        return tuple(self.record.open_gaps)

    def arrays(self) -> xarray.Dataset:
        """Return the layers over (index, scan), in memory; coordinates are in mm."""
        attributes = survey_attributes(self._pipeline.station) | run_attributes(self.record)
        return dataset_of(
            self._pipeline.grid,
            {name: one for name, one in attributes.items() if one is not None},
            spots=[spot.name for spot in self._pipeline.station.spot_list],
            channels=kept_channels(self._pipeline.station),
        )
