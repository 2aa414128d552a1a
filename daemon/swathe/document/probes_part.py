"""The probes of a carriage with several: where each is, what it is, and what came from it."""

from __future__ import annotations

from collections.abc import Iterator

from swathe.display_units import DisplayUnits
from swathe.document.material import ReportMaterial
from swathe.document.model import DataTable, ReportBlock
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.report.probes import echo_share
from swathe.station import ArrayProbeSettings

__all__ = ["probe_facts"]


def probe_facts(of: ReportMaterial) -> Iterator[ReportBlock]:
    """Yield a table of the probes; none of a station with one."""
    if of.station is None or len(of.station.probes) < 2:
        return
    units, record = of.record.display, of.record
    counted = {probe.name: probe for probe in record.progress.probes}
    rows, checked = [], bool(record.checks)
    limited = any(probe.thickness_limits is not None for probe in of.station.probes)
    for probe in of.station.probes:
        element = [] if probe.diameter is None else [units.stated_text(probe.diameter)]
        element += [] if probe.frequency is None else [f"{probe.frequency:g} MHz"]
        source = probe.device or "–"
        seen = counted.get(probe.name)
        rows.append(
            (
                probe.name,
                source if probe.input is None else f"{source}, input {probe.input}",
                units.stated_number(probe.scan),
                units.stated_number(probe.index),
                ", ".join(element) or "not stated",
                probe.calibration or "that of the station",
                *(_limits(probe, units) if limited else ()),
                "–" if seen is None else f"{seen.readings:,}",
                "–" if seen is None else echo_share(seen),
                "–"
                if seen is None or seen.last_echo is None
                else f"{seen.last_echo:%Y-%m-%d %H:%M:%S}",
                *(_checked(seen) if checked else ()),
            )
        )
    unit = units.length_name
    yield DataTable(
        "Probes of the carriage; readings are those with a position; times are UTC",
        ("probe", "from", f"scan offset {unit}", f"index offset {unit}", "element", "calibration", *("reads only",) * limited, "readings", "with echo", "newest echo", *("check", "suspect cells") * checked),
        tuple(rows),
        (True, True, False, False, True, True, *(True,) * limited, False, False, True, *(True, False) * checked),
    )  # fmt: skip


def _checked(probe: ProbeSnapshot | None) -> tuple[str, str]:
    """Return the state of a probe's calibration checks, and its suspect cells."""
    if probe is None:
        return "–", "–"
    text = "none passed" if probe.checked is None else f"passed {probe.checked:%Y-%m-%d %H:%M}"
    if probe.check_failed is not None:
        text = f"no. {probe.check_failed} FAILED"
    return text, f"{probe.suspect:,}"


def _limits(probe: ArrayProbeSettings, units: DisplayUnits) -> tuple[str]:
    """Return the walls that a probe can read by its own limits."""
    if probe.thickness_limits is None:
        return ("as the survey",)
    low, high = (units.stated_thickness_text(wall) for wall in probe.thickness_limits)
    return (f"{low} to {high}",)
