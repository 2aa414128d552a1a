"""What a replay does otherwise than the run: another delay, another calibration, an earlier end."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from swathe.calibration import read_calibration_record
from swathe.errors import SwatheError
from swathe.station import Station, require_calibration, with_record
from swathe.store import SurveyFolder
from swathe.units import duration_ns

__all__ = ["amendment", "end_of_replay"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def end_of_replay(folder: SurveyFolder, until: datetime | str | None) -> int | None:
    """Return a replay's end as ns UTC; None without one.

    Args:
        folder: the survey; a duration is from the start of its first run.
        until: a time with its offset from UTC, such as ``2026-05-04T10:30:00Z``, or a duration
            such as ``90 min``.

    Raises:
        SwatheError: it is neither, or a time without its offset.
        SurveyError: no journal of the survey holds a run.
    """
    if until is None:
        return None
    if isinstance(until, str):
        text = until
        try:
            until = datetime.fromisoformat(text)
        except ValueError:
            return folder.first_start() + _duration(text)
    if until.tzinfo is None:
        message = (
            "'until' must have its offset from UTC, such as 2026-05-04T10:30:00Z or "
            f"2026-05-04T12:30:00+02:00 (got {until.isoformat()!r})"
        )
        raise SwatheError(message)
    return (until - _EPOCH) // timedelta(microseconds=1) * 1000


def _duration(text: str) -> int:
    try:
        duration = duration_ns(text)
    except ValueError:
        duration = -1
    if duration < 0:
        message = (
            "'until' must be a time such as 2026-05-04T10:30:00Z, or a duration from the start of "
            f"the survey such as '90 min' (got {text!r})"
        )
        raise SwatheError(message)
    return duration


def amendment(
    station: Station,
    *,
    delays: Mapping[str, str | int],
    calibration: Path | None,
) -> Callable[[Station], Station]:
    """Return the function that changes each run's station file for a replay.

    It raises `CalibrationError` where a run was measured otherwise than its calibration record, the
    given one or its own.

    Args:
        station: whose devices may be named.
        delays: by device, a duration such as ``"12 ms"`` or whole ns.
        calibration: calibration record file; None keeps each run's own.

    Raises:
        SwatheError: a delay names no device of the survey, or is no duration.
        CalibrationError: the calibration record cannot be read.
    """
    applied: dict[str, int] = {}
    for device, delay in delays.items():
        if device not in station.device:
            known = ", ".join(sorted(station.device))
            message = f"'delay' must name one of the devices {known} (got {device!r})"
            raise SwatheError(message)
        try:
            applied[device] = delay if isinstance(delay, int) else duration_ns(delay)
        except ValueError as error:
            message = f"'delay' of {device} {error} (got {delay!r})"
            raise SwatheError(message) from error
    record = None if calibration is None else read_calibration_record(calibration)

    def amend(run: Station) -> Station:
        devices = {
            name: device.model_copy(update={"delay": applied.get(name, device.delay)})
            for name, device in run.device.items()
        }
        changed = run.model_copy(update={"device": devices})
        if record is not None:
            changed = with_record(changed, record, str(calibration))
        require_calibration(changed)
        return changed

    return amend
