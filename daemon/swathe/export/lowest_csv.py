"""The lowest separate places of a survey as text."""

from __future__ import annotations

import csv
from pathlib import Path

from swathe.evaluation import Evaluation, LowPlace, evaluate_arrays
from swathe.export.csv_header import THICKNESS_DECIMALS, write_header
from swathe.export.source import ExportSource

__all__ = ["write_lowest"]


def write_lowest(
    source: ExportSource, path: Path, *, lowest: int = 10, separation: float | None = None
) -> None:
    """Write one row for each of the lowest places, as `swathe evaluate` finds them.

    Places of cells that do not count, suspect or unconfirmed, come behind those that do.

    Args:
        source: the survey.
        path: a file that is there, and is written over.
        lowest: so many places of either kind.
        separation: least distance between the centres of two places, mm; see `evaluate_arrays`.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the survey is one of spots.
    """
    found = evaluate_arrays(
        source.arrays, record=source.record, lowest=lowest, separation=separation
    )
    unit = source.units.length_name
    columns = {
        "rank": "1 is the lowest of those that count, and of those that do not",
        "counts": "yes: measured, and no doubt about it is unconfirmed; no: suspect or unconfirmed",
        f"thickness_{unit}": "wall thickness of the cell",
        f"scan_{unit}": "position of the cell's centre on the scan axis",
        f"index_{unit}": "position of the cell's centre on the index axis",
    }
    with path.open("w", encoding="utf-8", newline="") as file:
        write_header(file, source, columns, _rests_on(found, source))
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for counts, places in (("yes", found.lowest), ("no", found.lowest_apart)):
            for rank, place in enumerate(places, 1):
                writer.writerow([rank, counts, *_numbers(place, source)])


def _rests_on(found: Evaluation, source: ExportSource) -> dict[str, str]:
    """Return how places were chosen, and among which cells."""
    figures = found.survey
    not_read = sum(figures.not_read.values())
    rests = (
        f"{figures.measured:,} of {figures.cells:,} required cells count; {not_read:,} have no reading, "
        f"{figures.suspect:,} are suspect, {figures.unconfirmed:,} unconfirmed"
    )
    more = {"places": rests, "apart": source.units.place_text(found.separation) + " at least"}
    if found.may_be_more:
        more["more"] = "there may be further low places: only the lowest cells were looked at"
    return more


def _numbers(place: LowPlace, source: ExportSource) -> list[str]:
    units = source.units
    return [
        f"{units.length(place.thickness):.{THICKNESS_DECIMALS[units.length_name]}f}",
        *(f"{round(units.length(one), 6):.10g}" for one in (place.scan, place.index)),
    ]
