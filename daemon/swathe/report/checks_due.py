"""Which check of the calibration is due before and after a run, in words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from swathe.messages import CheckMessage
from swathe.station import Station

__all__ = ["due_after", "due_before", "failed_in_force"]

_HOW = "swathe verify STATION.toml --by NAME --phase"


def failed_in_force(checks: Sequence[CheckMessage]) -> CheckMessage | None:
    """Return the failed check under which readings are in doubt; None without.

    Args:
        checks: of a survey, in their order.
    """
    newest = _newest(checks)
    return None if newest is None or newest.passed else newest


def due_before(station: Station, checks: Sequence[CheckMessage], now: datetime) -> str:
    """Return which check is due before readings are taken, and how it is made; empty if none is.

    Args:
        station: the station file; without a table ``[verification]`` no check is asked for.
        checks: of the survey, in their order.
        now: with a time zone.
    """
    asked = station.verification
    if asked is None:
        return ""
    newest = _newest(checks)
    if newest is None:
        return f"check due: none has passed in this survey yet; {_HOW} before"
    if not newest.passed:
        return f"check due: check {newest.number} failed; readings are in doubt until one passes"
    if asked.interval is not None:
        due = newest.ended + timedelta(microseconds=asked.interval / 1000)
        if now > due:
            return f"check due since {due:%Y-%m-%d %H:%M} UTC; {_HOW} interval"
    return ""


def due_after(station: Station, checks: Sequence[CheckMessage]) -> str:
    """Return which check is due once a run has ended; empty if none is asked for."""
    if station.verification is None:
        return ""
    since = "" if _newest(checks) else ", and none was made before it"
    return f"check due: what this run read is proven by a check behind it{since}; {_HOW} after"


def _newest(checks: Sequence[CheckMessage]) -> CheckMessage | None:
    """Return the newest check that counts: one that failed and was overridden does not."""
    return next((check for check in reversed(checks) if not check.overridden_by), None)
