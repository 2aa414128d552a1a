"""Sections on what the thickness rests on: calibration, checks, instrument, encoders, uncertainty."""

from __future__ import annotations

from collections.abc import Iterator

from swathe.calibration import CalibrationRecord
from swathe.display_units import DisplayUnits
from swathe.document.material import ReportMaterial
from swathe.document.model import (
    DataTable,
    FactList,
    Paragraph,
    ReportBlock,
    ReportSection,
    TextLines,
    capped,
)
from swathe.document.probes_part import probe_facts
from swathe.echo import EchoSettings
from swathe.messages import CheckMessage
from swathe.report.calibration import calibration_lines
from swathe.report.setup_lines import setup_lines
from swathe.report.summary import check_line, port_lines
from swathe.station import AxisSettings, Station
from swathe.store import SurveyRecord

__all__ = ["calibration_section", "settings_section", "uncertainty_section"]

# Steps of checks that are listed; failed checks are listed all.
_MOST_STEPS = 120
_MOST_LINES = 100


def calibration_section(of: ReportMaterial) -> ReportSection:
    """Return the calibration in force with serials, and the checks made on the block."""
    record, units = of.record, of.record.display
    blocks: list[ReportBlock] = [TextLines(tuple(calibration_lines(record)))]
    applied = None if record.calibration is None else record.calibration.record
    kept = None if of.station is None else of.station.record
    if kept is not None and kept.id == applied:
        blocks += list(_calibration(kept, units))
    elif applied:
        note = (
            f"The journal's newest run does not hold record {applied}: its details are not listed."
        )
        blocks.append(Paragraph(note, "note"))
    if record.checks:
        blocks.append(_checks(record))
        failed = [check_line(check, units) for check in record.checks if not check.passed]
        blocks += [Paragraph(text, "caution") for text in failed]
    else:
        blocks.append(Paragraph("No calibration check was made during this survey."))
    if lines := setup_lines(record):
        blocks += [
            Paragraph("Sensitivity and gates:"),
            TextLines(tuple(capped(lines, _MOST_LINES, "entries"))),
        ]
    return ReportSection("Calibration and checks", tuple(blocks))


def _calibration(kept: CalibrationRecord, units: DisplayUnits) -> Iterator[ReportBlock]:
    block = " ".join(filter(None, (kept.block.name, _serial(kept.block.serial))))
    approved = f", approved by {kept.approved_by}" if kept.approved_by else ""
    yield FactList(
        (
            ("Record", f"{kept.id} of {kept.time:%Y-%m-%d %H:%M} UTC by {kept.by}{approved}"),
            ("Procedure", kept.procedure),
            ("Step block", f"{block}{', ' if block else ''}{kept.material}"),
            ("Instrument", _named(kept.instrument.name, kept.instrument.serial)),
            ("Probe", _named(kept.probe.name, kept.probe.serial)),
            ("Couplant", kept.couplant),
            ("Method", kept.method),
        )
    )
    name = units.length_name
    yield DataTable(
        "Steps of the block as they were read for the calibration",
        (
            f"step {name}",
            "time of flight µs",
            "deviation from the fit " + name,
            "readings",
            "couplings",
        ),
        tuple(
            (
                units.stated_thickness_number(step.thickness_mm),
                f"{step.time_of_flight_us:.4f}",
                units.number(step.residual_mm, 3, 4, sign=True),
                f"{step.readings:,}",
                f"{len(step.couplings):,}" if step.couplings else "not recorded",
            )
            for step in kept.steps
        ),
        (False,) * 5,
    )


def _serial(serial: str) -> str:
    return f"serial {serial}" if serial else ""


def _named(name: str, serial: str) -> str:
    return ", ".join(filter(None, (name, _serial(serial))))


def _checks(record: SurveyRecord) -> DataTable:
    units, name = record.display, record.display.length_name
    named = any(check.probe for check in record.checks)
    rows = [row for check in record.checks for row in _check_rows(check, units, named=named)]
    caption = f"Calibration checks on the block, {len(record.checks):,}; times are UTC"
    if len(rows) > _MOST_STEPS:
        caption += f"; the last {_MOST_STEPS} of {len(rows):,} steps, the record has all"
    return DataTable(
        caption,
        ("no.", *("probe",) * named, "when", "phase", "by", "block", f"step {name}", f"deviation {name}", f"tolerance {name}", "check"),
        tuple(rows[-_MOST_STEPS:]),
        (True, *(True,) * named, True, True, True, True, False, False, False, True),
    )  # fmt: skip


def _check_rows(
    check: CheckMessage, units: DisplayUnits, *, named: bool
) -> Iterator[tuple[str, ...]]:
    verdict = "passed" if check.passed else "FAILED"
    if check.overridden_by:
        verdict += f", overridden by {check.overridden_by}"
    for number, step in enumerate(check.steps):
        about = (
            (
                str(check.number),
                *(check.probe,) * named,
                f"{check.ended:%Y-%m-%d %H:%M}",
                str(check.phase),
                check.by,
                check.block,
            )
            if not number
            else ("",) * (5 + named)
        )
        yield (
            *about,
            units.stated_thickness_number(step.thickness),
            "no echo" if step.deviation is None else units.number(step.deviation, 3, 4, sign=True),
            units.stated_number(check.tolerance),
            verdict if not number else "",
        )


def settings_section(of: ReportMaterial) -> ReportSection:
    """Return instrument, probe, encoders, gates and devices as they were set."""
    station = of.station
    blocks: list[ReportBlock] = []
    if station is None:
        blocks.append(Paragraph("No station file can be read from the journal."))
    else:
        blocks.append(FactList(tuple(_instrument(station))))
        if station.spots is None:
            blocks.append(_axes(station))
        if station.echo is not None:
            blocks.append(_gates(station.echo))
        blocks += [
            _gates(probe.echo, f" of probe {probe.name}")
            for probe in station.probes
            if probe.echo is not None
        ]
    blocks += list(probe_facts(of))
    blocks += list(_devices(of))
    if lines := port_lines(of.record):
        blocks.append(TextLines(tuple(lines)))
    return ReportSection("Instrument and encoder settings", tuple(blocks))


def _instrument(station: Station) -> Iterator[tuple[str, str]]:
    units, instrument, probe = station.display, station.instrument, station.probe
    yield "Instrument", _named(instrument.name, instrument.serial)
    yield "Its settings", instrument.settings
    if instrument.time_resolution:
        yield "Last digit", f"{instrument.time_resolution:g} µs of time of flight"
    if probe is None:
        yield "Probe", ""
    else:
        element = (
            f"{probe.kind} element, {units.stated_text(probe.diameter)}, {probe.frequency:g} MHz"
        )
        yield "Probe", ", ".join(filter(None, (_named(probe.name, probe.serial), element)))
        yield "Cable", probe.cable
    calibration = station.calibration
    yield "Couplant", "" if calibration is None else calibration.couplant
    corrections = station.corrections
    if corrections.part_temperature is not None:
        yield "Part's temperature", f"{corrections.part_temperature:g} °C"
    survey = station.survey
    if survey.nominal_thickness is not None:
        yield "Nominal thickness", units.stated_thickness_text(survey.nominal_thickness)
    if survey.alert_below is not None:
        yield "Alert level", units.stated_thickness_text(survey.alert_below)
    yield "Value of a cell", f"{survey.cell_rule} of its readings"


def _axes(station: Station) -> DataTable:
    units = station.display
    axes: list[tuple[str, AxisSettings]] = [("scan", station.scan)]
    axes += [] if station.index is None else [("index", station.index)]
    rows = []
    for name, axis in axes:
        given = axis.counts_per_mm is not None or axis.wheel is not None
        wheel = "–"
        if axis.wheel is not None:
            wheel = (
                f"{units.stated_text(axis.wheel.diameter)}, {axis.wheel.pulses} periods, "
                f"{axis.wheel.edges} edges"
            )
        uncertainty = axis.scale_uncertainty
        rows.append(
            (
                name,
                str(axis.mode),
                axis.device or "–",
                f"{axis.scale * units.mm_per_unit:.6g}" if given else "–",
                wheel,
                f"{axis.zero_count:g} at {units.stated_number(axis.zero_at)}" if given else "–",
                "reversed" if axis.reversed else "as counted",
                units.stated_number(axis.backlash),
                "not stated" if uncertainty is None else f"{uncertainty:g} %",
            )
        )
    unit = units.length_name
    return DataTable(
        "Axes and encoders",
        ("axis", "mode", "device", f"counts per {unit}", "wheel", f"zero count, at {unit}", "direction", f"backlash {unit}", "uncertainty of scale"),
        tuple(rows),
        (True, True, True, False, True, False, True, False, False),
    )  # fmt: skip


def _gates(echo: EchoSettings, of: str = "") -> DataTable:
    band = "" if echo.band is None else f", band-passed round {echo.band.centre:g} MHz"
    taken = " to ".join(echo.time_of_flight)
    return DataTable(
        f"Gates{of}; {echo.mode}, time of flight of {taken}{band}",
        ("gate", "from", "start µs", "width µs", "threshold %", "measures", "polarity"),
        tuple(
            (
                gate.name,
                gate.after,
                f"{gate.start:g}",
                f"{gate.width:g}",
                f"{gate.threshold:g}",
                str(gate.measure).replace("_", " "),
                str(gate.polarity),
            )
            for gate in echo.gate
        ),
        (True, True, False, False, False, True, True),
    )


def _devices(of: ReportMaterial) -> Iterator[ReportBlock]:
    record, station = of.record, of.station
    rows = []
    for port in record.ports:
        device = None if station is None else station.device.get(port.device)
        delay = record.delays_ms.get(port.device)
        faults = sum(port.faults.values())
        rows.append(
            (
                port.device,
                "–" if device is None else device.driver,
                "–" if device is None else device.port,
                "–" if delay is None else f"{delay:.3f}",
                f"{port.readings:,}",
                f"{port.positions:,}",
                f"{port.missing:,}",
                f"{faults:,}",
                f"{port.undecoded:,}",
            )
        )
    if rows:
        yield DataTable(
            "Devices: what arrived, and what could not be read",
            ("device", "driver", "port", "delay ms", "readings", "positions", "records missing", "faults", "bytes undecoded"),
            tuple(rows),
            (True, True, True, *(False,) * 6),
        )  # fmt: skip


def uncertainty_section(of: ReportMaterial) -> ReportSection:
    """Return the uncertainty budget of a reading, and that of the places."""
    record, units = of.record, of.record.display
    name = units.length_name
    blocks: list[ReportBlock] = []
    budget = record.uncertainty
    if budget is None:
        blocks.append(
            Paragraph(
                "No budget of the thickness: it requires a calibration record with readings of the "
                "block. No uncertainty is guessed in its place."
            )
        )
    else:
        rows = [
            (part.name, units.number(part.standard_mm, 4), part.basis)
            for part in budget.components
            if part.standard_mm
        ]
        rows.append(("combined", units.number(budget.standard_mm, 4), "root of the sum of squares"))
        if budget.expanded_mm is not None and budget.coverage_factor and budget.coverage:
            expanded = units.number(budget.expanded_mm, 3, 4)
            basis = f"k = {budget.coverage_factor:.2f}, {budget.coverage:.2%}"
            rows.append(("expanded", expanded, basis))
        thickness = units.with_unit(units.number(budget.thickness_mm, 3))
        blocks.append(
            DataTable(
                f"Standard uncertainties of a single reading of {thickness}, after JCGM 100",
                ("component", name, "basis"),
                tuple(rows),
                (True, False, True),
            )
        )
        if zero := [part.name for part in budget.components if not part.standard_mm]:
            words = f"Zero in this budget, by what the station file and the record state: {', '.join(zero)}."
            blocks.append(Paragraph(words, "note"))
        blocks += [Paragraph(f"Not covered: {words}", "caution") for words in budget.not_covered]
    minimum = record.minimum_interval
    if minimum is not None and minimum.minimum_low_mm is not None:
        blocks.append(
            Paragraph(f"The interval for the true minimum is computed {minimum.method}.", "note")
        )
    place = record.place
    if place is None:
        blocks.append(Paragraph("How far places are off is not known.", "note"))
    else:
        rows = [
            (part.name, "not stated" if part.standard_mm is None else units.number(part.standard_mm, 3), part.basis)
            for part in place.components
        ]  # fmt: skip
        rows.append(("combined, as far as stated", units.number(place.standard_mm, 3), ""))
        rows.append(
            (f"{place.coverage:.0%} of readings within", units.number(place.expanded_mm, 3), "")
        )
        blocks.append(
            DataTable(
                "Standard uncertainties of a place along the scan axis, probe moving",
                ("component", name, "basis"),
                tuple(rows),
                (True, False, True),
            )
        )
    return ReportSection("Uncertainty", tuple(blocks))
