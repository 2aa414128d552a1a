"""What each of several probes gave, and how they differ, as lines of a report."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.pipeline.progress.fields import number_text
from swathe.pipeline.progress.overlap_snapshot import OverlapSnapshot
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.store import SurveyRecord

__all__ = ["doubt_lines", "echo_share", "probe_lines"]


def probe_lines(record: SurveyRecord) -> list[str]:
    """Return lines about the probes of a carriage with several; none of a single probe."""
    lines = [_line(probe) for probe in record.progress.probes]
    return lines + [_difference(pair, record.display) for pair in record.overlaps]


def doubt_lines(record: SurveyRecord) -> list[str]:
    """Return what takes confidence from the values of single probes; none of a single probe.

    Failed checks and the cells that they make suspect, and by how much probes differ.
    """
    probes = record.progress.probes
    lines = [
        f"probe {probe.name}{_check_text(probe)}"
        for probe in probes
        if probe.check_failed is not None or probe.suspect
    ]
    return lines + [_difference(pair, record.display) for pair in record.overlaps]


def _difference(pair: OverlapSnapshot, units: DisplayUnits) -> str:
    size = pair.model_copy(update={"more": abs(pair.more)})
    more, standard = (
        units.with_unit(number_text(size, name, units)) for name in ("more", "standard")
    )
    which = "less" if pair.more < 0 else "more"
    return (
        f"where both read the same wall, probe {pair.probe} reads {more} {which} than probe "
        f"{pair.other}, standard uncertainty {standard} ({pair.columns:,} columns of the last run's "
        "newest passes)"
    )


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
    text += "; without an echo at the end, while other probes had some" * probe.alone
    return text + _check_text(probe)


def _check_text(probe: ProbeSnapshot) -> str:
    """Return what its calibration checks say of a probe; empty where it passed and failed none."""
    text = f"; calibration checked {probe.checked:%Y-%m-%d %H:%M} UTC" if probe.checked else ""
    if probe.check_failed is not None:
        text += f"; check {probe.check_failed} FAILED, and none has passed since"
    return text + (f"; {probe.suspect:,} cells of it are suspect" if probe.suspect else "")
