"""A plan in words, so that its reader sees what the file means before the probe moves."""

from __future__ import annotations

from swathe.station.axis import Axis
from swathe.station.model import AxisMode, AxisSettings, IndexSettings, Station

__all__ = ["describe_plan"]


def describe_plan(station: Station) -> list[str]:
    """Return what a station file asks for, a line each."""
    rows, columns = station.shape
    lines = [_axis_line("scan", station.scan, station.scan_axis)]
    if station.index is None:
        lines.append("no index axis: a line profile (B-scan)")
    else:
        lines.append(_axis_line("index", station.index, station.index_axis))
    lines.append(f"{columns} × {rows} = {rows * columns:,} positions")
    for zone in station.exclude:
        index = "" if zone.index is None else f", index {zone.index[0]:g} to {zone.index[1]:g} mm"
        lines.append(
            f"not asked for: {zone.name}, scan {zone.scan[0]:g} to {zone.scan[1]:g} mm{index}"
        )
    survey = station.survey
    lines.append(
        f"a cell stands for its {survey.cell_rule} reading; "
        f"done at {survey.target_coverage:g} % coverage"
    )
    if station.calibration is not None:
        calibration = station.calibration
        lines.append(
            f"calibration in force: velocity {calibration.velocity * 1000:g} m/s, "
            f"zero offset {calibration.zero_offset:g} µs"
        )
    if station.broker is None:
        lines.append("no broker: nothing is published")
    elif station.broker.embedded:
        lines.append("publishes to an embedded broker on this machine only")
    else:
        lines.append(f"publishes to the broker {station.broker.host}:{station.broker.port}")
    return lines


def _axis_line(name: str, settings: AxisSettings, axis: Axis) -> str:
    end = axis.start + (axis.cells - 1) * axis.resolution
    text = f"{name} {axis.start:g} to {end:g} mm in {axis.cells} steps of {axis.resolution:g} mm"
    if settings.mode is AxisMode.STEPPED:
        how = "by command"
        if isinstance(settings, IndexSettings):
            how = f"by {settings.advance}"
        return f"{text}, the next line is told {how}"
    around = ", all around" if axis.wrapped else ""
    return f"{text}{around}, encoded by {settings.device}"
