"""A survey as text: coverage, calibration, checks, minimum thickness."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.messages import CheckMessage
from swathe.pipeline.progress.fields import number_text
from swathe.report.beam import beam_lines
from swathe.report.calibration import calibration_lines
from swathe.report.changes import change_lines
from swathe.report.clock import clock_lines
from swathe.report.confirm import confirm_report
from swathe.report.damage import damage_lines
from swathe.report.gap_table import summary_line
from swathe.report.minimum import minimum_lines
from swathe.report.missing import missing_lines
from swathe.report.probes import probe_lines
from swathe.report.revisions import revision_lines
from swathe.report.setup_lines import setup_lines
from swathe.report.spots import spots_table
from swathe.report.styles import MEASURED_ONLY, MOTION_CAUTION
from swathe.station import position_text
from swathe.store import SlipRecord, SurveyRecord

__all__ = [
    "check_line",
    "crawler_report",
    "place_lines",
    "port_lines",
    "reference_lines",
    "slip_text",
    "survey_lines",
    "times",
]

_MOST_HALTS = 10


def survey_lines(record: SurveyRecord) -> list[str]:
    """Return the lines of a survey's report, from its record."""
    lines = [f"{record.part or record.station}, survey {record.survey}", summary_line(record)]
    lines += damage_lines(record) + clock_lines(record)
    if record.area:
        lines.append(f"area: {record.area}")
    if operators := record.operators or (record.operator,) * bool(record.operator):
        lines.append(f"operator: {', '.join(operators)}")
    lines += beam_lines(record)
    lines += spots_table(record) or missing_lines(record)
    lines += confirm_report(record)
    lines += calibration_lines(record)
    lines += [check_line(check, record.display) for check in record.checks] or [
        "no calibration check"
    ]
    lines += setup_lines(record)
    lines += change_lines(record)
    lines += reference_lines(record)
    lines += revision_lines(record)
    lines += [slip_text(slip, record.display) for slip in record.slips]
    lines += port_lines(record) + probe_lines(record)
    lines += minimum_lines(record) + place_lines(record)
    lines += [f"note of {note.time:%Y-%m-%d %H:%M} UTC: {note.text}" for note in record.notes]
    return [*lines, *crawler_report(record), MEASURED_ONLY]


def port_lines(record: SurveyRecord) -> list[str]:
    """Return what is known of each device: echoes, channels, times and the delay in force."""
    ports = record.ports
    lines = [f"{port.device}: {text}" for port in ports for text in port.echo_texts]
    lines += [f"{port.device}: {text}" for port in ports for text in port.channel_texts]
    lines += [f"{port.device}: {times.text}" for port in ports for times in port.times]
    return lines + [port.applied_delay.text for port in ports if port.applied_delay is not None]


def crawler_report(record: SurveyRecord) -> list[str]:
    """Return what a crawler did, and the caution on moving machines; none without a crawler."""
    crawler = record.crawler
    if crawler is None:
        return []
    halts = [
        f"    {halt.time:%Y-%m-%d %H:%M:%S} UTC: {halt.cause}{': ' * bool(halt.text)}{halt.text}"
        for halt in crawler.halts
    ]
    moves = f"moved by a crawler: armed {times(crawler.armings)}, halted {times(len(halts))}"
    earlier = (
        [f"    and {len(halts) - _MOST_HALTS} earlier ones"] if len(halts) > _MOST_HALTS else []
    )
    first = [
        f"    {each.time:%Y-%m-%d %H:%M:%S} UTC: {each.text}"
        for each in crawler.first_moves[-_MOST_HALTS:]
    ]
    return [moves, *earlier, *halts[-_MOST_HALTS:], *first, MOTION_CAUTION]


def reference_lines(record: SurveyRecord) -> list[str]:
    """Return a line for each mark, and for each position that an operator set."""
    units = record.display
    marks = [
        f"mark: {mark.name}, {position_text(mark.scan, mark.index, units)}" for mark in record.marks
    ]
    return marks + [
        f"position set at {one.time:%Y-%m-%d %H:%M:%S} UTC by {one.by}: "
        f"{f'{one.mark}, ' if one.mark else ''}{position_text(one.scan, one.index, units)}"
        for one in record.references
    ]


def slip_text(slip: SlipRecord, units: DisplayUnits) -> str:
    """Return where two sources of a position parted, and what that made suspect."""
    position = units.with_unit(number_text(slip, "position", units))
    distance = units.with_unit(number_text(slip, "distance", units, sign=True))
    return (
        f"slip {slip.number} of {slip.time:%Y-%m-%d %H:%M:%S} UTC: {slip.axis} at "
        f"{position} was off its second source by {distance}; {slip.cells:,} cells read since "
        f"{slip.agreed:%H:%M:%S} UTC made suspect, {slip.later:,} read at unsound positions after it"
    )


def check_line(check: CheckMessage, units: DisplayUnits) -> str:
    """Return a calibration check in a line: verdict, tolerance, and the deviation of each step."""
    verdict = "passed" if check.passed else f"FAILED, {check.suspects:,} cells made suspect"
    if check.overridden_by:
        verdict += f"; overridden by {check.overridden_by}: {check.overridden_because}"
    steps = ", ".join(
        f"{units.stated_thickness_text(step.thickness)} "
        + (
            "no echo"
            if step.deviation is None
            else units.difference_text(step.deviation, sign=True)
        )
        + (f" (read again, {step.redone + 1} times in all)" if step.redone else "")
        for step in check.steps
    )
    return (
        f"check {check.number}{check.of_probe} ({check.phase}) of {check.ended:%Y-%m-%d %H:%M} UTC by {check.by}: "
        f"{verdict}, tolerance {units.stated_text(check.tolerance)}: {steps}"
    )


def place_lines(record: SurveyRecord) -> list[str]:
    """Return the lines on how far off the places of readings may be; none where that is not known."""
    place, units = record.place, record.display
    if place is None:
        return []
    held = f"{place.coverage:.0%} of {place.readings:,} readings of the moving probe"
    lines = [
        f"place along the scan axis: within {units.difference_text(place.expanded_mm)} of the truth for {held}"
    ]
    if place.not_stated:
        lines.append(
            f"    without what is not stated: {', '.join(place.not_stated)}; it may be further off"
        )
    parts = ", ".join(
        f"{part.name} {units.number(part.standard_mm, 3)}"
        for part in place.components
        if part.standard_mm
    )
    return (
        [*lines, f"    standard uncertainties in {units.length_words}: {parts}"] if parts else lines
    )


def times(count: int) -> str:
    """Return how often, in words: once, 2 times."""
    return "once" if count == 1 else f"{count:,} times"
