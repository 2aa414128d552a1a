"""A plan in words, so that its reader sees what the file means before the probe moves."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.station.axis import Axis
from swathe.station.conditions import condition_warnings
from swathe.station.delays import delay_lines
from swathe.station.devices import decoder_of, makes_by_time, period_of, polling_of
from swathe.station.law import law_of
from swathe.station.marks import position_text
from swathe.station.model import AxisMode, AxisSettings, IndexSettings, Station
from swathe.station.probe import beam_lines_of, beam_warnings
from swathe.station.probe_tables import ArrayProbeSettings
from swathe.station.probes import probes_of, stations_of_probes
from swathe.station.spots import SpotsSettings
from swathe_drivers import TakenAt

__all__ = ["summarize_station"]

# Names of spots that are all listed.
_MOST_NAMES = 6

_MOMENTS = {
    TakenAt.REQUEST: "at the request",
    TakenAt.ANSWER: "at the first byte of the answer",
    TakenAt.BETWEEN: "in the middle between request and answer",
}


def summarize_station(station: Station) -> list[str]:
    """Return what a station file asks for, a line each."""
    survey = station.survey
    if station.spots is not None:
        lines = _spot_lines(station, station.spots)
    else:
        lines = _grid_lines(station)
    lines.append(
        f"a {'spot' if station.spots else 'cell'} keeps its {survey.cell_rule} reading; "
        f"done at {survey.target_coverage:g} % coverage"
    )
    lines += delay_lines(station)
    lines += _polling_lines(station)
    lines += [] if station.spots else _time_lines(station)
    lines += _probe_lines(station)
    lines += _calibrations(station)
    lines += beam_lines_of(station)
    lines += [f"WARNING: {warning}" for warning in beam_warnings(station)]
    if (motion := station.motion) is not None:
        allowed = "may be armed" if motion.arm_allowed else "must not be armed (arm_allowed)"
        lines.append(f"a crawler on {motion.port}, driver {motion.driver}: {allowed}")
    if station.broker is None:
        lines.append("no broker: nothing is published")
    elif station.broker.embedded:
        lines.append("publishes to an embedded broker on this machine only")
    else:
        lines.append(f"publishes to the broker {station.broker.host}:{station.broker.port}")
    return lines


def _grid_lines(station: Station) -> list[str]:
    rows, columns = station.shape
    units = station.display
    lines = [_axis_line("scan", station.scan, station.scan_axis, units)]
    if station.index is None:
        lines.append("no index axis: a line profile (B-scan)")
    else:
        lines.append(_axis_line("index", station.index, station.index_axis, units))
    lines.append(f"{columns} × {rows} = {rows * columns:,} positions")
    for zone in station.exclude:
        index = "" if zone.index is None else f", index {_span(zone.index, units)}"
        lines.append(f"excluded: {zone.name}, scan {_span(zone.scan, units)}{index}")
    lines += [
        f"mark: {mark.name}, {position_text(mark.scan, mark.index, units)}" for mark in station.mark
    ]
    return lines


def _span(borders: tuple[float, float], units: DisplayUnits) -> str:
    return f"{units.stated_number(borders[0])} to {units.stated_text(borders[1])}"


def _spot_lines(station: Station, spots: SpotsSettings) -> list[str]:
    names = [spot.name for spot in station.spot_list]
    shown = ", ".join(names if len(names) <= _MOST_NAMES else [*names[:2], "...", names[-1]])
    count = "1 spot" if len(names) == 1 else f"{len(names):,} spots"
    often = "once" if spots.couplings == 1 else f"{spots.couplings} times"
    lift = (
        "the probe lifted before each"
        if spots.lift_required
        else "WARNING: a coupling counts without a lift before it: pressing twice is not noticed"
    )
    span = f"{spots.readings} readings or more over {spots.steady_for / 1e9:g} s"
    how = "by itself once steady" if spots.auto else "by a key or a command"
    return [
        f"{count} without an encoder: {shown}",
        f"each is coupled {often}, {lift}",
        f"taken {how}: {span} that differ by at most {station.display.stated_text(spots.max_spread)}",
    ]


def _polling_lines(station: Station) -> list[str]:
    """Return a line for each device that is polled: the moment of what it answers."""
    lines = []
    for name, device in station.device.items():
        polling = polling_of(device)
        if polling is None:
            continue
        moment = _MOMENTS[polling.taken_at]
        if decoder_of(device).has_clock:
            moment = "by its clock"
        elif device.talk is None or device.talk.taken_at is None:
            moment += "; talk.taken_at is not given"
        lines.append(f"{name} is polled, its answers are placed {moment}")
    return lines


def _time_lines(station: Station) -> list[str]:
    """Return a line for each device that is not polled: how its records are timed."""
    lines = []
    for name, device in station.device.items():
        decoder = decoder_of(device)
        period = decoder.pulse_period_ns or period_of(device)
        known = "a period that is found" if period is None else f"period {period / 1e6:g} ms"
        better = "better: a clock or a running number in its records"
        if decoder.has_clock:
            text = "by its own clock"
        elif polling_of(device) is not None:
            continue
        elif decoder.combined:
            text = "by arrival; its records bring their positions"
        elif not makes_by_time(device):
            late = station.placing.lateness / 1e6
            text = f"by arrival, up to {late:g} ms late (placing.lateness); {better}"
        elif decoder.numbered:
            text = f"by its pulse number, {known}"
        else:
            text = f"by a steady rate if it shows one, {known}, else by arrival; {better}"
        lines.append(f"times of {name} {text}")
    return lines


def _calibrations(station: Station) -> list[str]:
    """Return the lines of the calibration; of each probe where they differ."""
    texts = [_calibration_lines(one) for one in stations_of_probes(station)]
    if all(text == texts[0] for text in texts):
        return texts[0]
    named = zip(station.probes, texts, strict=True)
    return [f"probe {probe.name}: {line}" for probe, text in named for line in text]


def _probe_lines(station: Station) -> list[str]:
    """Return a line for each of several probes: where its readings come from, and where it is."""
    lines = []
    for probe in probes_of(station).probes:
        if not probe.name:
            continue
        source = probe.device if probe.input is None else f"{probe.device}, input {probe.input}"
        place = position_text(probe.scan, probe.index, station.display)
        lines.append(
            f"probe {probe.name}: {source}; from the carriage's datum {place}"
            f"{_own_text(station.probes[probe.number], station.display)}"
        )
    return lines


def _own_text(probe: ArrayProbeSettings, units: DisplayUnits) -> str:
    """Return the gates and limits that a probe has of its own; empty without any."""
    text = ""
    if probe.thickness_limits is not None:
        low, high = (units.stated_thickness_text(wall) for wall in probe.thickness_limits)
        text += f"; reads from {low} to {high}"
    if probe.range_margin is not None:
        text += f"; {units.stated_text(probe.range_margin)} beyond its calibrated steps"
    if probe.echo is not None:
        gates = ", ".join(gate.name for gate in probe.echo.gate)
        text += f"; gates of its own: {gates}"
    return text


def _calibration_lines(station: Station) -> list[str]:
    law, record = law_of(station), station.record
    if law is None:
        return []
    source = "given in the station file, no record"
    if record is not None:
        source = f"record {record.id} of {record.time:%Y-%m-%d %H:%M} UTC by {record.by}"
    velocity = f"{law.velocity * 1000:.6g} m/s"
    if not station.display.is_metric:
        velocity = station.display.velocity_text(law.velocity)
    values = f"velocity {velocity}, zero offset {law.zero_offset:.4g} µs"
    lines = [f"calibration in force: {values} ({source})"]
    lines += [f"correction: {text}" for text in law.corrections]
    if record is not None:
        texts = [*record.warnings, *condition_warnings(station)]
        lines += [f"WARNING of the calibration: {text}" for text in texts]
    if station.verification is None:
        lines.append("no [verification] table: the calibration is not checked")
    return lines


def _axis_line(name: str, settings: AxisSettings, axis: Axis, units: DisplayUnits) -> str:
    end = axis.start + (axis.cells - 1) * axis.resolution
    width = units.stated_text(axis.resolution)
    text = f"{name} {_span((axis.start, end), units)} in {axis.cells} steps of {width}"
    if settings.mode is AxisMode.STEPPED:
        how = "by command"
        if isinstance(settings, IndexSettings):
            how = f"by {settings.advance}"
        return f"{text}, the next line is set {how}"
    around = ", all around" if axis.wrapped else ""
    return f"{text}{around}, encoded by {settings.device}"
