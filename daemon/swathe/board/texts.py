"""Messages as text, for the board and the plain lines; numbers with the digits of the snapshot."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from swathe.board.fitting import joined_lines
from swathe.board.stations import StationView
from swathe.display_units import DisplayUnits
from swathe.messages import (
    STATE_WORDS,
    AlarmMessage,
    CheckMessage,
    DelayMessage,
    Extent,
    GapMessage,
    PlanMessage,
    PortMessage,
    ProgressMessage,
)
from swathe.pipeline.progress.confirm_snapshot import Where, raw_minimum_text
from swathe.pipeline.progress.fields import count_text, extent_text, number_text
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot, ProbeState
from swathe.pipeline.progress.snapshots import minimum_text

__all__ = [
    "age_text",
    "alarm_text",
    "check_text",
    "coverage_text",
    "gap_text",
    "port_text",
    "probe_reading_lines",
    "probes_text",
    "progress_parts",
    "progress_text",
    "state_text",
]


def age_text(seconds: float) -> str:
    """Return an age in its natural unit."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"


def state_text(view: StationView) -> str:
    """Return what the station does."""
    if view.state is None:
        return "unknown"
    return STATE_WORDS[view.state.state]


def coverage_text(progress: ProgressMessage) -> str:
    """Return the measured share and the number of open gaps."""
    return f"{number_text(progress, 'percent')} % · {count_text(progress.open_gaps, 'gap')}"


def progress_text(
    progress: ProgressMessage, *, scanning: bool, plan: PlanMessage | None = None
) -> str:
    """Return the progress without its coverage in one text, see `progress_parts`."""
    return " · ".join(progress_parts(progress, scanning=scanning, plan=plan))


def progress_parts(
    progress: ProgressMessage, *, scanning: bool, plan: PlanMessage | None = None
) -> list[str]:
    """Return the progress without its coverage, what matters most first.

    Args:
        progress: the message.
        scanning: whether speed and time left apply; a plan of spots has neither.
        plan: of the station; None while unknown.
    """
    units = _units(plan)
    if plan is not None and plan.spots:
        where = f"spot {progress.minimum_scan or 0:.0f}"
        count = f"{progress.measured:,} of {progress.required:,} spots"
        return [*_state_parts(progress, where, plan), count]
    position = _place(progress, plan, "scan", "index")
    where = _place(progress, plan, "minimum_scan", "minimum_index")
    parts = [f"at {units.with_unit(position)}", *_state_parts(progress, where, plan)]
    if scanning and progress.probes:
        parts.append(probes_text(progress.probes))
    if scanning:
        limit = (
            ""
            if progress.speed_limit is None
            else f" of at most {number_text(progress, 'speed_limit', units)}"
        )
        fast = " TOO FAST" if progress.too_fast else ""
        speed = number_text(progress, "speed", units)
        parts.append(f"{speed}{limit} {units.speed_name}{fast}")
    if scanning and progress.seconds_left is not None:
        minutes, seconds = divmod(round(progress.seconds_left), 60)
        parts.append(f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d} left")
    if scanning:
        parts.append(f"{number_text(progress, 'rate')} readings/s")
    return [*parts, f"{progress.measured:,} of {progress.required:,} cells"]


def probes_text(probes: Sequence[ProbeSnapshot]) -> str:
    """Return from how many of several probes an echo comes now, and from which none does."""
    silent = [probe for probe in probes if probe.state is not ProbeState.ECHO]
    if not silent:
        return f"echo from all {len(probes)} probes"
    if len(silent) == len(probes):
        return f"no echo from any of {len(probes)} probes"
    # Capitals where others have an echo meanwhile, which has an alarm.
    none = "NO ECHO" if any(probe.alone for probe in silent) else "none"
    names = ", ".join(probe.name for probe in silent)
    return f"echo from {len(probes) - len(silent)} of {len(probes)} probes, {none} from {names}"


def probe_reading_lines(
    progress: ProgressMessage, width: int, plan: PlanMessage | None = None, *, most: int = 3
) -> list[str]:
    """Return what each of several probes reads now and where it is; nothing of a single one.

    Args:
        progress: the message.
        width: of a line.
        plan: of the station; None while unknown.
        most: where more lines than this would be taken, the places are left out.
    """
    if not progress.probes:
        return []
    units = _units(plan)
    for places in (True, False):
        parts = [_probe_part(probe, progress.time, plan, places) for probe in progress.probes]
        parts[0] = f"now in {units.length_name}: {parts[0]}"
        lines = joined_lines(parts, width)
        if len(lines) <= most:
            break
    return lines


def _probe_part(
    probe: ProbeSnapshot, now: datetime, plan: PlanMessage | None, has_place: bool
) -> str:
    """Return the newest reading of a probe and its place, without units."""
    if probe.last_reading is None:
        return f"{probe.name} NO READING YET"
    if probe.state is ProbeState.NO_READINGS:
        return f"{probe.name} NO READING FOR {age_text((now - probe.last_reading).total_seconds())}"
    value = "no echo"
    if probe.has_echo:
        value = "echo"
        if probe.thickness is not None:
            value = number_text(probe, "thickness", _units(plan))
    if not has_place:
        return f"{probe.name} {value}"
    place = "an unknown place" if probe.scan is None else _place(probe, plan, "scan", "index")
    return f"{probe.name} {value} at {place}"


def _units(plan: PlanMessage | None) -> DisplayUnits:
    """Return in which lengths of a station are shown."""
    return DisplayUnits("mm" if plan is None else plan.units)


def _place(
    message: ProgressMessage | AlarmMessage | ProbeSnapshot,
    plan: PlanMessage | None,
    scan: str,
    index: str,
) -> str:
    """Return a place without its unit, by the names of its fields; a line profile has no index."""
    units = _units(plan)
    widths = (None, None) if plan is None else (plan.scan_resolution, plan.index_resolution)
    text = number_text(message, scan, units, resolution=widths[0])
    if plan is not None and plan.profile:
        return text
    return f"{text} / {number_text(message, index, units, resolution=widths[1])}"


def _state_parts(progress: ProgressMessage, where: str, plan: PlanMessage | None) -> list[str]:
    """Return the minimum, which is at a place, and what is wrong."""
    units = _units(plan)
    parts = []
    if progress.minimum is not None:
        parts.append(f"minimum {minimum_text(progress, units)} at {where}")
    if raw := raw_minimum_text(progress, units, Where() if plan is None else plan.where):
        parts.append(raw)
    if progress.suspect:
        parts.append(f"{progress.suspect:,} SUSPECT")
    if progress.slipped_at is not None:
        parts.append(f"SLIPPED at {units.with_unit(number_text(progress, 'slipped_at', units))}")
    if progress.check_overdue:
        parts.append("CHECK OVERDUE")
    if plan is not None and plan.alert_below is not None:
        parts.append(f"alert below {units.stated_thickness_text(plan.alert_below)}")
    return parts


def gap_text(gap: GapMessage, plan: PlanMessage | None = None) -> str:
    """Return a gap's causes, extents and size, or how it ended."""
    if not gap.is_open:
        return f"gap {gap.number} closed: {gap.end_text}"
    scan_turn, index_turn = (None, None) if plan is None else (plan.scan_turn, plan.index_turn)
    profile = plan is not None and plan.profile
    units = _units(plan)
    scan, index = (
        units.with_unit(extent_text(extent, turn, units))
        for extent, turn in ((gap.scan, scan_turn), (gap.index, index_turn))
    )
    index = "" if profile else f", index {index}"
    hours = f" ({gap.hours})" if gap.hours else ""
    return (
        f"gap {gap.number} open: {gap.causes_text}, scan {scan}"
        f"{index}{hours}, {count_text(gap.cells, 'cell')}"
    )


def alarm_text(alarm: AlarmMessage, plan: PlanMessage | None = None, *, said: str = "") -> str:
    """Return an alarm in a line; of a plan of spots its own text names the spot.

    Args:
        alarm: the message.
        plan: of the station; None while unknown.
        said: a text shown elsewhere that is not repeated; empty for none.
    """
    if alarm.status == "over":
        return f"alarm #{alarm.number} {alarm.kind} is over"
    where = f" {alarm.device}" if alarm.device else ""
    units, spots = _units(plan), plan is not None and plan.spots
    if alarm.minimum_scan is not None and not spots:
        where += f" at {units.with_unit(_place(alarm, plan, 'minimum_scan', 'minimum_index'))}"
    elif alarm.scan is not None and not spots:
        where += f" at {_middle(alarm.scan, units)}"
        if alarm.index is not None:
            where += f" / {_middle(alarm.index, units)}"
        where += f" {units.length_name}"
    since = alarm.since.astimezone().strftime("%H:%M:%S")
    seen = f", seen by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    detail = "" if said and alarm.detail.startswith(said) else f": {alarm.detail}"
    return f"#{alarm.number} {alarm.kind}{where}{seen}{detail} (since {since})"


def _middle(extent: Extent, units: DisplayUnits) -> str:
    return units.number((extent.low + extent.high) / 2, 1)


def port_text(port: PortMessage, *, long: bool = False) -> str:
    """Return a port's health.

    Args:
        port: the message.
        long: whether to write bytes, the last fault and the estimated delay too.
    """
    parts = []
    if port.state == "open":
        parts.append(f"{port.device} open")
    else:
        parts.append(
            f"{port.device} {port.state.upper()}" + (f": {port.detail}" if port.detail else "")
        )
    if long:
        parts.append(f"{port.bytes:,} bytes")
    parts += port.echo_texts
    if faults := sum(port.faults.values()):
        last = f", last: {port.last_fault.detail}" if long and port.last_fault else ""
        parts.append(f"{count_text(faults, 'fault')}{last}")
    if port.stalls:
        parts.append(count_text(port.stalls, "stall"))
    parts += [times.text for times in port.times if long or times.contradicts]
    applied = port.applied_delay
    if applied is not None and (long or applied.known == "unknown"):
        parts.append(applied.text)
    # One that is applied by itself is in the text before.
    if (
        long
        and port.delay is not None
        and not (port.delay.sure and applied is not None and applied.automatic)
        and (text := _delay_text(port.delay))
    ):
        parts.append(text)
    return ", ".join(parts)


def _delay_text(delay: DelayMessage) -> str:
    """Return a measured delay against the one in force; empty where nothing is known of it."""
    if delay.low_ms is None or delay.high_ms is None:
        return ""
    low, high = (number_text(delay, name, sign=True) for name in ("low_ms", "high_ms"))
    text = f"delay {low} to {high} ms from the one in force measured"
    return text if delay.sure else f"{text}, not sure yet"


def check_text(check: CheckMessage | None) -> str:
    """Return the last calibration check in a line."""
    if check is None:
        return "no calibration check yet"
    at = check.ended.astimezone().strftime("%d %b %H:%M")
    head = f"calibration check {check.number}{check.of_probe}"
    if check.passed:
        return f"{head} passed, {at}, by {check.by}"
    overridden = f", overridden by {check.overridden_by}" if check.overridden_by else ""
    return f"{head} FAILED, {at}, by {check.by}{overridden}"
