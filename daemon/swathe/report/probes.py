"""What each of several probes gave, as lines of a report."""

from __future__ import annotations

from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.store import SurveyRecord

__all__ = ["echo_share", "probe_lines"]


def probe_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each probe of a carriage with several; none of a single probe."""
    return [_line(probe) for probe in record.progress.probes]


def echo_share(probe: ProbeSnapshot) -> str:
    """Return the readings of a probe that had an echo, of those that have a position, in percent."""
    return f"{100 * probe.echoes / probe.readings:.1f} %" if probe.readings else "–"


def _line(probe: ProbeSnapshot) -> str:
    text = f"probe {probe.name}: {probe.readings:,} readings with a position"
    if probe.readings:
        text += f", {echo_share(probe)} of them with an echo"
    if probe.last_echo is None:
        text += "; no echo at all"
    else:
        text += f"; newest echo {probe.last_echo:%Y-%m-%d %H:%M:%S} UTC"
    return text + ("; without an echo at the end, while other probes had some" * probe.alone)
