"""Calibration checks: which one is due, and a check as a table."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from rich.table import Table

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.messages import CheckMessage
from swathe.pipeline import Check
from swathe.station import Station

__all__ = ["check_table", "due_after", "due_before", "failed_in_force"]

_HOW = "swathe verify STATION.toml --by NAME --phase"


def failed_in_force(checks: Sequence[CheckMessage]) -> CheckMessage | None:
    """Return the failed check that makes readings suspect; None without.

    Args:
        checks: of a survey, in their order.
    """
    newest = _newest(checks)
    return None if newest is None or newest.passed else newest


def due_before(station: Station, checks: Sequence[CheckMessage], now: datetime) -> str:
    """Return which check is due before readings are taken, and how it is made; empty if none is.

    Args:
        station: the station file; without a table ``[verification]`` no check is required.
        checks: of the survey, in their order.
        now: with a time zone.
    """
    settings = station.verification
    if settings is None:
        return ""
    newest = _newest(checks)
    if newest is None:
        return f"check due: none has passed in this survey yet; {_HOW} before"
    if not newest.passed:
        return f"check due: check {newest.number} failed; readings are suspect until one passes"
    if settings.interval is not None:
        due = newest.ended + timedelta(microseconds=settings.interval / 1000)
        if now > due:
            return f"check due since {due:%Y-%m-%d %H:%M} UTC; {_HOW} interval"
    return ""


def due_after(station: Station, checks: Sequence[CheckMessage]) -> str:
    """Return which check is due once a run has ended; empty if none is required."""
    if station.verification is None:
        return ""
    since = "" if _newest(checks) else ", and none was made before the run"
    return f"check due: a check after the run confirms its readings{since}; {_HOW} after"


def _newest(checks: Sequence[CheckMessage]) -> CheckMessage | None:
    """Return the newest check that counts: one that failed and was overridden does not."""
    return next((check for check in reversed(checks) if not check.overridden_by), None)


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
