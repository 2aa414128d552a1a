"""A comparison of surveys as lines and tables for people, in the latest survey's unit of length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from rich.table import Table

from swathe.comparison import (
    LEAST_YEARS,
    Comparison,
    Estimate,
    Life,
    PairComparison,
    PartComparison,
    PartDifference,
)
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.messages import Extent
from swathe.pipeline.progress.fields import count_text, extent_text
from swathe.report.styles import MEASURED_ONLY

__all__ = ["comparison_parts", "estimate_text", "life_text", "rate_text", "rate_unit"]

_MOST_SQUARES = 40
_MINIMA = (
    "compared are means of readings at the same place, never one minimum with another: the minimum of many "
    "noisy readings is too thin by chance, the more so the more readings there are, and the two minima "
    "may be of two places"
)
_GROWTH = (
    "a wall does not grow: look at coupling, datum, velocity, temperature and the calibration of both "
    "surveys; what feigns growth here may hide or feign a loss elsewhere"
)


def comparison_parts(found: Comparison) -> Iterator[str | Table]:
    """Yield the lines and tables of a comparison, in their order."""
    record = found.surveys[-1].record
    units = MILLIMETRES if record is None else record.display
    for number, pair in enumerate(found.pairs):
        yield from _heading(found, number)
        yield from _registration(pair, units)
        yield from _compared(pair, found.whole.pairs[number], units)
        yield from _differences(pair, found.whole.pairs[number], units)
    yield from _rates(found, units)
    yield from _places(found, units)
    if found.zones:
        yield "zones, in the coordinates of the latest survey:"
        yield _table_of(found, found.zones, units)
    if found.squares:
        yield from _squares(found, units)
    yield _MINIMA
    yield MEASURED_ONLY


def estimate_text(one: Estimate | None, units: DisplayUnits) -> str:
    """Return a difference with its interval: ``-0.204 mm (95 %: -0.281 to -0.127)``."""
    if one is None:
        return "–"
    text = units.with_unit(_signed(one.value, units))
    if one.low is None or one.high is None:
        return f"{text} (no interval)"
    return f"{text} (95 %: {_signed(one.low, units)} to {_signed(one.high, units)})"


def _short(one: Estimate | None, units: DisplayUnits) -> str:
    """Return a difference with its interval for a table, whose heading has the unit."""
    if one is None:
        return "–"
    ends = "" if one.low is None else f" ({_signed(one.low, units)} to {_signed(one.high, units)})"
    return f"{_signed(one.value, units)}{ends}"


def _signed(mm: float | None, units: DisplayUnits) -> str:
    return units.number(mm, 3, 4, sign=True)


def rate_text(one: Estimate | None, units: DisplayUnits) -> str:
    """Return a rate of loss with its interval: ``+0.204 mm/year (95 %: +0.127 to +0.281)``."""
    if one is None:
        return "–"
    value = f"{_rate(one.value, units)} {rate_unit(units)}"
    if one.low is None or one.high is None:
        return f"{value} (no interval)"
    return f"{value} (95 %: {_rate(one.low, units)} to {_rate(one.high, units)})"


def _short_rate(one: Estimate | None, units: DisplayUnits) -> str:
    if one is None:
        return "–"
    ends = (
        ""
        if one.low is None or one.high is None
        else f" ({_rate(one.low, units)} to {_rate(one.high, units)})"
    )
    return f"{_rate(one.value, units)}{ends}"


def _short_life(one: Life | None) -> str:
    """Return a remaining life for a table, whose heading has the unit."""
    if one is None or one.kind in ("growing", "not stated"):
        return "not stated"
    if one.kind == "reached":
        return "none"
    if one.kind == "unbounded":
        return "not stated" if one.low is None else f"{one.low:,.1f} or more"
    return f"{one.years:,.1f} ({one.low:,.1f} to {one.high:,.1f})"


def life_text(one: Life | None) -> str:
    """Return a remaining life with its interval, years."""
    if one is None:
        return "–"
    if one.kind == "reached":
        return "none: the lowest reading is not above the required thickness"
    if one.kind == "growing":
        return "not stated: the wall reads thicker than before, which is no rate of loss"
    if one.kind == "not stated":
        years = "" if one.years is None else f"{one.years:,.1f} years by the values alone, "
        return f"{years}no interval: the rate has none"
    if one.kind == "unbounded":
        least = "no lower end either" if one.low is None else f"{one.low:,.1f} years or more"
        return f"{least}, without an upper end: the interval of the rate holds 0"
    return f"{one.years:,.1f} years ({one.low:,.1f} to {one.high:,.1f})"


def _rate(mm: float, units: DisplayUnits) -> str:
    # Thousandths of an inch: a rate in inches would be all zeros.
    return f"{mm:+.3f}" if units.is_metric else f"{1000 * units.length(mm):+.2f}"


def rate_unit(units: DisplayUnits) -> str:
    """Return the unit of rates: mm/year, or thousandths of an inch a year."""
    return "mm/year" if units.is_metric else "thou/year"


def _heading(found: Comparison, number: int) -> Iterator[str]:
    pair, earlier, later = found.pairs[number], found.surveys[number], found.surveys[-1]
    part = "" if later.record is None else later.record.part or later.record.station
    yield f"{part}: {later.name} ({later.moment:%Y-%m-%d}) less {earlier.name} ({earlier.moment:%Y-%m-%d})"
    yield f"{pair.years:.2f} years apart" if pair.years >= LEAST_YEARS else "less than a day apart"
    for note in pair.notes:
        yield f"    NOTE: {note}"


def _registration(pair: PairComparison, units: DisplayUnits) -> Iterator[str]:
    """Yield by which shift and rotation places were paired, and whether the pattern agrees."""
    one, pattern = pair.registration, pair.pattern
    words = "by the datum" if one.basis == "datum" else "by the wall pattern"
    shift = (
        f"{units.number(one.scan, 2, 3, sign=True)} / {units.number(one.index, 2, 3, sign=True)}"
    )
    text = f"registered {words}: shift {shift} {units.length_name} (scan / index)"
    if one.rotation or one.basis == "pattern":
        text += f", rotation {one.rotation:+.2f}°"
    if one.stated:
        scan, index, turn = (1.96 * each for each in one.standard)
        text += f"; ± {units.number(scan, 2, 3)} / {units.number(index, 2, 3)} {units.length_name}"
        text += (
            f", ± {turn:.2f}°"
            if one.basis == "pattern" and pattern and pattern.rotation_fitted
            else ""
        )
        text += " (95 %)"
    else:
        text += "; how well the datum was found again is not stated, and is in no interval"
    yield text
    if one.basis == "pattern":
        at = " / ".join(units.place_number(each) for each in one.centre)
        yield f"    shift of the place at {units.with_unit(at)}; it is turned about that place"
        return
    if pattern is None or pattern.registration is None:
        reason = "" if pattern is None else pattern.refused
        yield f"    the wall pattern cannot check it: {reason}"
        return
    seen = pattern.registration
    before = one.at(seen.centre)
    off = seen.scan - before.scan, seen.index - before.index, seen.rotation - before.rotation
    limits = [3 * each for each in seen.standard]
    width = max(
        axis.resolution for axis in (pair.differences.later.scan, pair.differences.later.index)
    )
    far = [
        abs(value) > max(limit, least)
        for value, limit, least in zip(off, limits, (width / 2, width / 2, 0.1), strict=True)
    ]
    if any(far):
        apart = f"{units.number(off[0], 2, 3, sign=True)} / {units.number(off[1], 2, 3, sign=True)}"
        yield (
            f"    WARNING: by the wall pattern the later survey is off from there by {apart} "
            f"{units.length_name} and {off[2]:+.2f}°: what differs below may be that; see --align pattern"
        )
    else:
        yield "    the wall pattern agrees with it to half a cell, or within what it carries"


def _compared(pair: PairComparison, part: PartDifference, units: DisplayUnits) -> Iterator[str]:
    """Yield what was compared and what was not."""
    one = pair.differences
    sides = " x ".join(
        units.stated_number(axis.resolution) for axis in (one.later.scan, one.later.index)
    )
    share = 100 * part.pairs / part.required if part.required else 0.0
    yield (
        f"{part.pairs:,} pairs of cells of {units.with_unit(sides)}, {share:.1f} % of "
        f"{part.required:,} required ones; not compared: {part.not_later:,} not measured in the later, "
        f"{part.not_earlier:,} not in the earlier survey"
        + (
            f"; {pair.earlier_outside:,} measured cells of the earlier survey are outside the later one"
            if pair.earlier_outside
            else ""
        )
    )


def _differences(pair: PairComparison, part: PartDifference, units: DisplayUnits) -> Iterator[str]:
    """Yield the mean difference, what is uncertain in it, and which part of it is significant."""
    one = pair.differences
    yield f"mean difference {estimate_text(part.mean, units)}"
    if one.missing:
        yield f"    no interval, and nothing is called significant: {one.missing}; --shared states it"
        return
    shared = float(np.nanmean(one.shared))
    cell = float(np.nanmedian(one.standard))
    yield (
        f"    of it {units.difference_text(shared)} (standard uncertainty) is of what all readings of a "
        f"survey share, and no mean makes it smaller; a cell by itself: {units.difference_text(cell)}"
    )
    if one.scatter > 0:
        yield (
            f"    cells next to each other scatter by {units.difference_text(one.scatter)} more than readings and "
            "places explain: it is in that"
        )
    percent = 100 * part.loss / part.pairs if part.pairs else 0.0
    area = units.area_text(part.loss * one.later.cell_area)
    yield (
        f"significant loss: {count_text(part.loss, 'cell')}, {area}, {percent:.1f} % of the pairs "
        f"(at most {100 * pair.level:g} % of them by chance, Benjamini and Hochberg)"
    )
    if part.growth or (part.mean is not None and part.mean.above_zero):
        growth = 100 * part.growth / part.pairs
        yield (
            f"WARNING: the wall reads thicker than before in {count_text(part.growth, 'cell')}, "
            f"{growth:.1f} % of the pairs: {_GROWTH}"
        )


def _rates(found: Comparison, units: DisplayUnits) -> Iterator[str]:
    whole = found.whole
    names = ["rate"] if len(found.pairs) == 1 else ["long-term rate", "short-term rate"]
    for name, rate, pair in zip(
        names,
        (whole.rates[0], whole.rates[-1]),
        (found.pairs[0], found.pairs[-1]),
        strict=False,
    ):
        if rate is None:
            yield f"{name} of loss: not stated, the surveys are less than a day apart"
        else:
            yield f"{name} of loss, over {pair.years:.2f} years: {rate_text(rate, units)}"
    yield from _life(found, whole, units)


def _life(found: Comparison, part: PartComparison, units: DisplayUnits) -> Iterator[str]:
    lowest = part.pairs[-1].lowest
    if found.required is None or lowest is None:
        return
    at = " / ".join(units.place_number(each) for each in (lowest.scan, lowest.index))
    yield (
        f"lowest reading {units.thickness_text(lowest.thickness)} at {units.with_unit(at)}; required, as stated: "
        f"{units.stated_thickness_text(found.required)}"
    )
    governing = " (the larger one)" if len(found.pairs) > 1 else ""
    if part.life is None:
        return
    yield f"remaining life by the mean rate{governing}: {life_text(part.life)}"
    if part.local_rate is None:
        yield "    no pair at that place, which has no rate of its own"
    else:
        yield (
            f"    by the rate of that place alone, {rate_text(part.local_rate, units)}: "
            f"{life_text(part.local_life)}"
        )


def _places(found: Comparison, units: DisplayUnits) -> Iterator[str | Table]:
    if not found.places:
        return
    yield (
        f"strongest significant losses, at least {units.place_text(found.separation)} apart; intervals allow "
        "for their having been chosen:"
    )
    name = units.length_name
    table = _table(
        "", f"scan {name}", f"index {name}", f"before {name}", f"now {name}", f"difference {name}"
    )
    for number, one in enumerate(found.places, 1):
        table.add_row(
            str(number),
            units.place_number(one.scan),
            units.place_number(one.index),
            units.number(one.before, 2, 3),
            units.number(one.now, 2, 3),
            _short(one.difference, units),
        )
    yield table


def _squares(found: Comparison, units: DisplayUnits) -> Iterator[str | Table]:
    known = sorted(
        (one for one in found.squares if one.pairs[-1].mean is not None), key=_mean_difference
    )
    shown = "" if len(known) <= _MOST_SQUARES else f", the {_MOST_SQUARES} with the strongest loss"
    yield f"{len(known):,} of {len(found.squares):,} squares with pairs{shown}:"
    yield _table_of(found, known[:_MOST_SQUARES], units)


def _mean_difference(part: PartComparison) -> float:
    mean = part.pairs[-1].mean
    return 0.0 if mean is None else mean.value


def _table_of(found: Comparison, parts: Sequence[PartComparison], units: DisplayUnits) -> Table:
    name = units.length_name
    heads = ["", f"scan {name}", f"index {name}", "compared", f"difference {name}"]
    heads += [f"loss {rate_unit(units)}", "% significant"]
    table = _table(*heads, *(["life, years"] if found.required else []))
    for part in parts:
        last, rate = part.pairs[-1], part.governing
        compared = f"{100 * last.pairs / last.required:.0f} %" if last.required else "–"
        loss = f"{100 * last.loss / last.pairs:.1f}" if last.pairs else "–"
        table.add_row(
            part.area.name,
            *(
                extent_text(Extent(low=ends[0], high=ends[1]), units=units)
                for ends in (part.area.scan, part.area.index)
            ),
            compared,
            _short(last.mean, units),
            _short_rate(rate, units),
            loss,
            *([_short_life(part.life)] if found.required else []),
        )
    return table


def _table(*headings: str) -> Table:
    table = Table(title=None, box=None, pad_edge=False, header_style="bold")
    for heading in headings:
        table.add_column(heading, justify="right", overflow="fold")
    return table
