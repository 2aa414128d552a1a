"""Named marks on the part: places at which an operator can say that the probe is."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import Problem
from swathe.station.model import AxisMode, AxisSettings, MarkSettings, Station
from swathe.units import length

__all__ = [
    "check_marks",
    "known_marks",
    "line_of_mark",
    "line_text",
    "mark_named",
    "no_line_reason",
    "position_text",
]

# A datum may be far from the plan. What is further away than this, or than the plan is long, has
# rather a wrong unit. (Our choice, no source.)
_MOST_OUTSIDE_MM = 10_000.0


def mark_named(marks: Iterable[MarkSettings], name: str) -> MarkSettings | None:
    """Return the mark of that name, in either case and with any spaces; None if there is none."""
    wanted = _folded(name)
    return next((mark for mark in marks if _folded(mark.name) == wanted), None)


def position_text(
    scan: float | None, index: float | None, units: DisplayUnits = MILLIMETRES
) -> str:
    """Return a position, such as ``scan 1240 mm, index 40 mm``; None leaves an axis out."""
    return ", ".join(
        f"{axis} {units.stated_text(position)}"
        for axis, position in (("scan", scan), ("index", index))
        if position is not None
    )


def known_marks(marks: Sequence[MarkSettings]) -> str:
    """Return the names of the marks of a station file, for an answer."""
    names = ", ".join(repr(mark.name) for mark in marks)
    return f"known are {names}" if names else "the station file has no [[mark]]"


def line_text(station: Station, line: int) -> str:
    """Return a line of the plan with its place, such as ``line 5 at 40 mm``."""
    axis = station.index_axis
    place = station.display.stated_text(float(axis.centres[line]), axis.resolution)
    return f"line {line} at {place}"


def no_line_reason(station: Station, line: int) -> str | None:
    """Return why a line of the plan cannot be set; None if it can."""
    if station.index is None or station.index.mode is not AxisMode.STEPPED:
        return "the index axis is not stepped: its encoder gives the line"
    lines = station.index_axis.cells
    return None if 0 <= line < lines else f"the plan has the lines 0 to {lines - 1}"


def line_of_mark(station: Station, mark: MarkSettings) -> int | None:
    """Return the line that a mark is on; None without an index, or outside all lines."""
    if mark.index is None:
        return None
    axis = station.index_axis
    line = math.floor((mark.index - axis.start) / axis.resolution + 0.5)
    return line if 0 <= line < axis.cells else None


def check_marks(
    marks: tuple[MarkSettings, ...],
    axes: dict[str, AxisSettings],
    faulty: Collection[str],
    units: DisplayUnits = MILLIMETRES,
) -> list[Problem]:
    """Return what is wrong with the marks of a station file.

    Args:
        marks: of the file.
        axes: scan and index, as far as the file has them.
        faulty: tables that the file has but that are invalid themselves.
        units: in which positions are written.
    """
    problems: list[Problem] = []
    names: dict[str, int] = {}
    for number, mark in enumerate(marks):
        key = f"mark[{number}]"
        first = names.setdefault(_folded(mark.name), number)
        if first != number:
            requirement = f"must be unique: mark[{first}] has it, in either case"
            problems.append(Problem(f"{key}.name", requirement, mark.name, "rename one of them"))
        if _is_number(mark.name):
            remedy = "add a word, such as 'weld 12': a number is taken for a position"
            problems.append(Problem(f"{key}.name", "must not be a number", mark.name, remedy))
        if mark.scan is None and mark.index is None:
            remedy = 'scan = "1240 mm"'
            problems.append(Problem(key, "must have 'scan', 'index' or both", "neither", remedy))
        for name, position in (("scan", mark.scan), ("index", mark.index)):
            if position is None or (name not in axes and name in faulty):
                continue
            problems += _check_position(f"{key}.{name}", position, axes.get(name), units)
    return problems


def _check_position(
    key: str, position: float, settings: AxisSettings | None, units: DisplayUnits
) -> list[Problem]:
    def span(low: float, high: float) -> str:
        return f"{units.stated_text(low)} to {units.stated_text(high)}"

    got = units.stated_text(position)
    if settings is None:
        remedy = "remove it: a plan without an index axis is a line profile"
        return [Problem(key, "needs an index axis", got, remedy)]
    low, high = settings.start, settings.start + settings.length
    if settings.mode is AxisMode.STEPPED:
        half = settings.resolution / 2
        low, high = low - half, high + half
        requirement = f"must be on a line of the plan, {span(low, high)}"
        remedy = "leave it out: an index axis without encoder is set by its line"
    elif settings.mode is AxisMode.WRAPPED:
        requirement = f"must be on the circumference, {span(low, high)}"
        remedy = "give the position within a turn"
    else:
        outside = max(settings.length, _MOST_OUTSIDE_MM)
        low, high = low - outside, high + outside
        requirement = f"must be near the plan, from {span(low, high)}"
        remedy = "is its unit right?"
    return [] if low <= position <= high else [Problem(key, requirement, got, remedy)]


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _is_number(name: str) -> bool:
    """Return whether a name reads as a position, with a unit or without."""
    for parse in (float, length):
        try:
            return math.isfinite(parse(name))
        except ValueError:
            continue
    return False
