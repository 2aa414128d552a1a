"""The minimum thickness as text: as it was read, and the interval for the true one."""

from __future__ import annotations

from typing import Final

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.progress.fields import count_text
from swathe.store import MinimumSummary, SurveyRecord, UncertaintySummary

__all__ = ["interval_text", "minimum_lines"]

# The best estimate is stated where it is off the minimum as read by more of the interval than this.
_STATED_SHARE: Final = 0.25


def minimum_lines(record: SurveyRecord) -> list[str]:
    """Return the lines on the minimum thickness and its uncertainty."""
    units, minimum, uncertainty = record.display, record.minimum_interval, record.uncertainty
    if record.progress.minimum is None and minimum is None:
        return ["no reading yet"]
    lines = [] if uncertainty is None else _reading_lines(uncertainty, units)
    if minimum is not None:
        return lines + _interval_lines(minimum, units)
    if uncertainty is None:
        lines = [
            "uncertainty not stated: it requires a calibration record with readings of the block"
        ]
    return lines


def interval_text(minimum: MinimumSummary | None, units: DisplayUnits = MILLIMETRES) -> str:
    """Return the interval for the true minimum in a few words; empty where there is none."""
    if minimum is None or minimum.minimum_low_mm is None or minimum.minimum_high_mm is None:
        return ""
    low = units.number(minimum.minimum_low_mm, 3)
    high = units.number(minimum.minimum_high_mm, 3)
    return f"{low} to {units.with_unit(high)} ({minimum.coverage:.0%})"


def _reading_lines(uncertainty: UncertaintySummary, units: DisplayUnits) -> list[str]:
    parts = ", ".join(
        f"{part.name} {units.number(part.standard_mm, 4)}"
        for part in uncertainty.components
        if part.standard_mm
    )
    if uncertainty.expanded_mm is None:
        standard = units.difference_text(uncertainty.standard_mm)
        expanded = f"uncertainty without a level of confidence: {standard} (k = 1)"
    else:
        expanded = (
            f"expanded uncertainty {units.difference_text(uncertainty.expanded_mm)} "
            f"(k = {uncertainty.coverage_factor:.2f}, {uncertainty.coverage:.2%})"
        )
    thickness = units.with_unit(units.number(uncertainty.thickness_mm, 3))
    return [
        f"minimum thickness as read {thickness}; of a single reading: {expanded}",
        *(f"WARNING: {words}" for words in uncertainty.not_covered),
        f"standard uncertainties in {units.length_words}: {parts}",
    ]


def _interval_lines(minimum: MinimumSummary, units: DisplayUnits) -> list[str]:
    interval = interval_text(minimum, units)
    if not interval:
        lines = [f"uncertainty not stated for the true minimum: {minimum.not_stated}"]
    else:
        cells = count_text(minimum.cells, "measured cell")
        how = (
            "from the means of the cells, allowing for the thinnest of many reading thin by chance"
        )
        lines = [f"true minimum of {cells}: {interval}; {how}"]
    low, high = minimum.minimum_low_mm, minimum.minimum_high_mm
    estimate, read = minimum.minimum_estimate_mm, minimum.minimum_mm
    if not (low is None or high is None or estimate is None or read is None) and abs(
        estimate - read
    ) > _STATED_SHARE * (high - low):
        lines.append(
            f"    best estimate of it {units.with_unit(units.number(estimate, 3))}, "
            f"{units.difference_text(estimate - read, sign=True)} from the minimum as read"
        )
    if excluded := _excluded(minimum):
        lines.append(f"    not in it: {excluded}")
    if minimum.uneven_cells:
        lines.append(
            f"    {count_text(minimum.uneven_cells, 'cell')} with a reading farther below the mean "
            "than noise explains; there the minimum reading counts"
        )
    if minimum.repeatability_from_part and minimum.repeatability_mm is not None:
        spread = units.difference_text(minimum.repeatability_mm)
        lines.append(
            f"    WARNING: readings within a cell scatter by {spread} (standard deviation), more than "
            "the repeatability that is stated or was calibrated; the larger one is used"
        )
    return lines


def _excluded(minimum: MinimumSummary) -> str:
    parts = (
        (minimum.unconfirmed_cells, "cell", " to confirm"),
        (minimum.suspect_cells, "suspect cell", ""),
        (minimum.uncertain_cells, "cell", " of uncertain position"),
        (minimum.unplaced_readings, "reading", " without a position"),
    )
    return ", ".join(f"{count_text(count, name)}{words}" for count, name, words in parts if count)
