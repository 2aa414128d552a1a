"""Calibration checks: which one is due, and a check as a table."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from rich.table import Table

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.messages import CheckMessage, newest_checks
from swathe.pipeline import Check
from swathe.station import Station

__all__ = ["check_table", "due_after", "due_before", "failed_in_force"]

_HOW = "swathe verify STATION.toml --by NAME --phase"


def failed_in_force(checks: Sequence[CheckMessage]) -> list[CheckMessage]:
    """Return the failed checks that make readings suspect, at most one for each probe.

    Args:
        checks: of a survey, in their order.
    """
    return [check for check in newest_checks(checks).values() if not check.passed]


def due_before(station: Station, checks: Sequence[CheckMessage], now: datetime) -> str:
    """Return which check is due before readings are taken, and how it is made; empty if none is.

    Args:
        station: the station file; without a table ``[verification]`` no check is required.
        checks: of the survey, in their order.
        now: with a time zone.
    """
    if station.verification is None:
        return ""
    names = _probe_names(station)
    newest = newest_checks(checks, names[0])
    if never := [name for name in names if name not in newest]:
        of = f" of {_listed(never)}" if len(names) > 1 else ""
        return f"check due: none{of} has passed in this survey yet; {_HOW} before"
    made = [newest[name] for name in names]
    if failed := [check for check in made if not check.passed]:
        which = ", ".join(f"{check.number}{check.of_probe}" for check in failed)
        whose = "readings" if len(names) == 1 else "its readings"
        if len(failed) > 1:
            return f"check due: checks {which} failed; their readings are suspect until one passes"
        return f"check due: check {which} failed; {whose} are suspect until one passes"
    return _due_since(station, made, now)


def _due_since(station: Station, made: Sequence[CheckMessage], now: datetime) -> str:
    """Return which of the passed checks is to be made again, since when; empty if none is."""
    interval = None if station.verification is None else station.verification.interval
    if interval is None:
        return ""
    lasts = timedelta(microseconds=interval / 1000)
    if not (late := [check for check in made if now > check.ended + lasts]):
        return ""
    since = min(check.ended for check in late) + lasts
    of = f" of {_listed([check.probe for check in late])}" if len(made) > 1 else ""
    return f"check{of} due since {since:%Y-%m-%d %H:%M} UTC; {_HOW} interval"


def due_after(station: Station, checks: Sequence[CheckMessage]) -> str:
    """Return which check is due once a run has ended; empty if none is required."""
    if station.verification is None:
        return ""
    names = _probe_names(station)
    newest = newest_checks(checks, names[0])
    since = "" if newest else ", and none was made before the run"
    if newest and (never := [name for name in names if name not in newest]):
        since = f", and none of {_listed(never)} was made before the run"
    return f"check due: a check after the run confirms its readings{since}; {_HOW} after"


def _probe_names(station: Station) -> list[str]:
    """Return the names that checks have of the probes; one empty name for a single probe."""
    return [probe.name for probe in station.probes] if len(station.probes) > 1 else [""]


def _listed(names: Sequence[str]) -> str:
    return f"probe{'s' * (len(names) > 1)} {', '.join(names)}"


def check_table(check: Check, units: DisplayUnits = MILLIMETRES) -> Table:
    """Return the readings of a check on each step as a table."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("step", "read", "deviation", "spread"):
        table.add_column(f"{heading} {units.length_name}", justify="right")
    table.add_column("readings", justify="right")
    table.add_column("")
    for step in check.steps:
        good = abs(step.deviation) <= check.tolerance
        table.add_row(
            units.number(step.thickness, 3),
            units.number(step.measured, 3),
            units.number(step.deviation, 3, sign=True),
            units.number(step.spread, 3),
            str(step.readings),
            "" if good else f"beyond {units.stated_text(check.tolerance)}",
        )
    return table
