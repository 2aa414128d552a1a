"""A trend as lines and tables for people, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator

from rich.table import Table

from swathe.comparison import Estimate, Trend, ZoneTrend
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.report.comparison_json import plain
from swathe.report.comparison_text import rate_text, rate_unit
from swathe.report.styles import MEASURED_ONLY

__all__ = ["trend_json", "trend_parts"]


def trend_parts(found: Trend) -> Iterator[str | Table]:
    """Yield the lines and tables of a trend, in their order."""
    surveys = found.surveys
    record = found.latest.record
    units = MILLIMETRES if record is None else record.display
    part = "" if record is None else record.part or record.station
    yield f"{part}: {len(surveys)} surveys from {surveys[0].moment:%Y-%m-%d} to {surveys[-1].moment:%Y-%m-%d}"
    said: set[str] = set()
    for pair in found.pairs:
        for note in pair.notes:
            if note not in said:
                said.add(note)
                yield f"    NOTE: {note}"
        one = pair.registration
        shift = " / ".join(units.number(each, 2, 3, sign=True) for each in (one.scan, one.index))
        words = "datum" if one.basis == "datum" else "wall pattern"
        yield (
            f"    {pair.earlier}: by the {words}, shift {shift} {units.length_name}, {one.rotation:+.2f}°"
        )
    for zone in (found.whole, *found.zones):
        yield from _zone(zone, found, units)
    yield (
        "means are of the cells that every survey measured; what all readings of a survey share moves its mean "
        "as a whole, and is taken as an error of its own for each survey"
    )
    yield MEASURED_ONLY


def _zone(zone: ZoneTrend, found: Trend, units: DisplayUnits) -> Iterator[str | Table]:
    share = 100 * zone.cells / zone.required if zone.required else 0.0
    name = "all" if zone is found.whole else zone.area.name
    yield f"{name}: {zone.cells:,} cells in all surveys, {share:.1f} % of {zone.required:,} required ones"
    if zone.rate is None:
        yield "    no cell was measured in all surveys"
        return
    table = Table(title=None, box=None, pad_edge=False, header_style="bold")
    for heading in (
        "date",
        f"mean {units.length_name}",
        f"standard uncertainty {units.length_name}",
    ):
        table.add_column(heading, justify="right", overflow="fold")
    for point in zone.points:
        u = "not known" if point.standard is None else units.number(point.standard, 3, 4)
        table.add_row(f"{point.moment:%Y-%m-%d}", units.number(point.mean, 3, 4), u)
    yield table
    yield f"rate of loss {rate_text(zone.rate, units)}"
    if zone.excess is None:
        yield "    its interval is from the scatter of the surveys about the line: their uncertainties are not known"
    elif zone.excess > 1:
        yield (
            f"    the surveys scatter about the line {zone.excess:.1f} times as much as their uncertainties "
            "explain: the interval is widened by that"
        )
    if zone.rate.below_zero:
        yield (
            "    WARNING: the wall reads thicker from survey to survey, which no wall becomes: look at coupling, "
            "datum, velocity, temperature and calibration"
        )
    yield f"    {_bend(zone, units)}"


def _bend(zone: ZoneTrend, units: DisplayUnits) -> str:
    """Return whether the loss becomes faster, as far as the data show it."""
    bend = zone.acceleration
    if bend is None:
        return "whether it becomes faster is not looked at: that takes four surveys"
    if bend.above_zero:
        return f"it becomes faster: {_bend_text(bend, units)}"
    if bend.below_zero:
        return f"it becomes slower: {_bend_text(bend, units)}"
    return f"no evidence that it becomes faster or slower: {_bend_text(bend, units)}"


def _bend_text(bend: Estimate, units: DisplayUnits) -> str:
    scale = 1.0 if units.is_metric else 1000 / units.mm_per_unit
    ends = [0.0 if end is None else end * scale for end in (bend.low, bend.high)]
    return f"{bend.value * scale:+.4f} ({ends[0]:+.4f} to {ends[1]:+.4f}) {rate_unit(units)}²"


def trend_json(found: Trend) -> str:
    """Return a trend as JSON: mm, mm/year, mm/year², years before the latest survey."""
    document = {
        "surveys": [plain(one) for one in found.surveys],
        "registrations": [plain(pair.registration) for pair in found.pairs],
        "notes": sorted({note for pair in found.pairs for note in pair.notes}),
        "whole": _plain_zone(found.whole),
        "zones": [_plain_zone(zone) for zone in found.zones],
        "coverage": found.coverage,
    }
    return json.dumps(document, indent=1, allow_nan=False)


def _plain_zone(zone: ZoneTrend) -> dict[str, object]:
    return {
        "name": zone.area.name,
        "scan": list(zone.area.scan),
        "index": list(zone.area.index),
        "cells": zone.cells,
        "required": zone.required,
        "points": [{**plain(point), "moment": point.moment.isoformat()} for point in zone.points],
        "rate": plain(zone.rate),
        "excess": zone.excess,
        "acceleration": plain(zone.acceleration),
        "accelerates": zone.accelerates,
    }
