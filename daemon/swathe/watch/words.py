"""What is so, in words: shared by the board and the plain lines."""

from __future__ import annotations

from swathe.messages import AlarmMessage, CheckMessage, PortMessage, ProgressMessage
from swathe.watch.stations import StationView

__all__ = ["age_text", "alarm_text", "check_text", "port_text", "progress_text", "state_text"]


def age_text(seconds: float) -> str:
    """Return an age as people say it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"


def state_text(view: StationView) -> str:
    """Return what the station does."""
    if view.state is None:
        return "unknown"
    return "GONE" if view.state.state == "gone" else view.state.state


def progress_text(told: ProgressMessage, *, profile: bool, going: bool) -> str:
    """Return the progress in a line or two; of one that is not going on, without its pace."""
    scan = "–" if told.scan is None else f"{told.scan:.1f}"
    index = "–" if told.index is None else f"{told.index:.1f}"
    parts = [
        f"{told.measured:,} of {told.required:,} cells",
        f"at {scan if profile else f'{scan} / {index}'} mm",
    ]
    if going:
        limit = "" if told.speed_limit is None else f" of at most {told.speed_limit:.0f}"
        parts.append(f"{told.speed:.0f}{limit} mm/s{' TOO FAST' if told.too_fast else ''}")
        parts.append(f"{told.rate:.0f} readings/s")
    if going and told.seconds_left is not None:
        minutes, seconds = divmod(round(told.seconds_left), 60)
        parts.append(f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d} left")
    if told.minimum is not None:
        expanded = "" if told.minimum_expanded is None else f" ± {told.minimum_expanded:.2f}"
        where = f"{told.minimum_scan:.0f}" if told.minimum_scan is not None else "–"
        if not profile and told.minimum_index is not None:
            where += f" / {told.minimum_index:.0f}"
        parts.append(f"least {told.minimum:.2f}{expanded} mm at {where}")
    if told.suspect:
        parts.append(f"{told.suspect:,} SUSPECT")
    if told.slipped_at is not None:
        parts.append(f"SLIPPED at {told.slipped_at:.0f} mm")
    if told.check_overdue:
        parts.append("CHECK OVERDUE")
    return " · ".join(parts)


def alarm_text(alarm: AlarmMessage) -> str:
    """Return an alarm in a line."""
    where = f" {alarm.device}" if alarm.device else ""
    if alarm.scan is not None:
        where += f" at {(alarm.scan.low + alarm.scan.high) / 2:.0f}"
        if alarm.index is not None:
            where += f" / {(alarm.index.low + alarm.index.high) / 2:.0f}"
        where += " mm"
    since = alarm.since.astimezone().strftime("%H:%M:%S")
    seen = f", seen by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    return f"#{alarm.number} {alarm.kind}{where}{seen}: {alarm.detail} (since {since})"


def port_text(port: PortMessage) -> str:
    """Return a port's health in a few words."""
    if port.state != "open":
        return f"{port.device} {port.state.upper()}" + (f": {port.detail}" if port.detail else "")
    faults = sum(port.faults.values())
    told = f", {faults:,} faults" if faults else ""
    return f"{port.device} open{told}" + (f", {port.stalls} stalls" if port.stalls else "")


def check_text(check: CheckMessage | None) -> str:
    """Return the last check in a line."""
    if check is None:
        return "no check of the calibration yet"
    at = check.ended.astimezone().strftime("%d %b %H:%M")
    if check.passed:
        return f"last check {check.number} passed, {at}, by {check.by}"
    overridden = f", overridden by {check.overridden_by}" if check.overridden_by else ""
    return f"last check {check.number} FAILED, {at}, by {check.by}{overridden}"
