"""An evaluation as lines and tables for people, in the survey's unit of length."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rich.table import Table

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.evaluation import (
    Evaluation,
    LowPlace,
    PartSummary,
    Square,
    ThicknessLevel,
    ThinAreasBelow,
)
from swathe.messages import Extent
from swathe.pipeline.progress.fields import count_text, extent_text
from swathe.report.beam import beam_lines
from swathe.report.gap_table import summary_line
from swathe.report.minimum import minimum_lines
from swathe.report.missing import turns
from swathe.report.probes import doubt_lines
from swathe.report.styles import MEASURED_ONLY
from swathe.report.summary import place_lines

__all__ = ["EvaluationText", "evaluation_parts", "thickness_number"]

_MOST_SQUARES = 40


def evaluation_parts(found: Evaluation) -> Iterator[str | Table]:
    """Yield the lines and tables of an evaluation, in their order."""
    text = EvaluationText(found)
    yield from text.heading()
    yield from text.statistics()
    yield from text.low_places()
    yield from text.levels()
    for thin in found.thin:
        yield from text.thin_areas(thin)
    yield from text.zones()
    yield from text.squares()
    yield from text.extremes()
    yield MEASURED_ONLY


class EvaluationText:
    """The parts of an evaluation's text.

    Args:
        found: the evaluation.

    Attributes:
        units: in which lengths are written.
    """

    def __init__(self, found: Evaluation) -> None:
        self._found = found
        self._record = found.record
        self.units = MILLIMETRES if found.record is None else found.record.display
        plan = None if found.record is None else found.record.plan
        self._profile = plan is not None and plan.profile
        scan, index = found.profiles
        self._widths = tuple(
            float(axis.positions[1] - axis.positions[0]) if axis.positions.size > 1 else None
            for axis in (scan, index)
        )

    def heading(self) -> Iterator[str]:
        """Yield what the figures rest on."""
        record, figures = self._record, self._found.survey
        if record is not None:
            yield f"{record.part or record.station}, survey {record.survey}"
            yield summary_line(record)
            if record.status == "scanning":
                yield "WARNING: it is being scanned: figures are of what is on the disk"
        yield f"figures rest on {self.seen(figures)}"
        if record is not None:
            yield from beam_lines(record)
            yield from doubt_lines(record)
            yield from minimum_lines(record)
            yield from place_lines(record)
        if text := self.minimum_apart_text(figures):
            yield text

    def seen(self, figures: PartSummary) -> str:
        """Return on how much a part's figures rest, and what is not in them."""
        if figures.percent_unseen is None:
            return "no required cell"
        # Rounded down: 100 % is all.
        percent = math.floor(1e4 * figures.measured / figures.cells) / 100
        rest = [f"{count:,} {name.replace('_', ' ')}" for name, count in figures.not_read.items()]
        rest += [f"{figures.suspect:,} suspect"] * bool(figures.suspect)
        rest += [f"{figures.unconfirmed:,} to confirm"] * bool(figures.unconfirmed)
        missing = f"; not in them: {', '.join(rest)}" if rest else ""
        excluded = f"; {figures.excluded:,} excluded" if figures.excluded else ""
        return (
            f"{figures.measured:,} of {figures.cells:,} required cells, {percent:.2f} % of "
            f"{self.area(figures.cells)}{missing}{excluded}"
        )

    def minimum_apart_text(self, figures: PartSummary) -> str:
        """Return that a cell which does not count is lower than all that do; empty if none is."""
        apart = figures.minimum_apart
        if apart is None or (
            figures.minimum is not None and figures.minimum.thickness <= apart.thickness
        ):
            return ""
        return (
            f"WARNING: the lowest value, {self.units.with_unit(thickness_number(apart.thickness, self.units))} at {self.place(apart)}, "
            "is of a suspect or unconfirmed cell: it is in no figure below"
        )

    def area(self, cells: int) -> str:
        """Return the area of cells; along a line, their length."""
        return self._area_text(cells * self._found.cell_area)

    def _area_text(self, mm2: float) -> str:
        if self._profile:
            return self.units.place_text(mm2)  # its cells are 1 mm wide
        return self.units.area_text(mm2)

    def place(self, place: LowPlace) -> str:
        """Return a place on both axes."""
        return self.units.with_unit(self._at(place))

    def _at(self, place: LowPlace) -> str:
        """Return a place without its unit."""
        scan, index = self.positions(place)
        return scan if self._profile else f"{scan} / {index}"

    def positions(self, place: LowPlace) -> tuple[str, str]:
        """Return a place on scan and index axis, without unit."""
        scan, index = (
            self.units.place_number(each, width)
            for each, width in zip((place.scan, place.index), self._widths, strict=True)
        )
        return scan, index

    def statistics(self) -> Iterator[str | Table]:
        """Yield mean, deviation, percentiles and histogram of all cells."""
        figures, units = self._found.survey.statistics, self.units
        if figures is None:
            yield "no cell was measured"
            return
        spread = (
            ""
            if figures.standard_deviation is None
            else f", standard deviation {units.difference_text(figures.standard_deviation)} (wall and readings together)"
        )
        yield f"mean thickness {units.with_unit(thickness_number(figures.mean, units))}{spread}"
        shares = ", ".join(
            f"{share:g} % {thickness_number(value, units)}"
            for share, value in figures.percentiles.items()
        )
        yield f"percentiles in {units.length_words}: {shares}"
        bins = figures.histogram
        table = _table(f"thickness {units.length_name}", "cells", "% of measured")
        for number, count in enumerate(bins.counts.tolist()):
            low = bins.low + number * bins.width
            table.add_row(
                f"{units.number(low, 3, 4)} to {units.number(low + bins.width, 3, 4)}",
                f"{count:,}",
                f"{100 * count / figures.cells:.2f}",
            )
        yield table

    def low_places(self) -> Iterator[str | Table]:
        """Yield the lowest places, and those of cells that do not count."""
        found, units = self._found, self.units
        for places, what in (
            (found.lowest, "lowest places"),
            (found.lowest_apart, "lowest places of suspect or unconfirmed cells"),
        ):
            if not places:
                continue
            yield f"{what}, at least {units.place_text(found.separation)} apart:"
            heads = ["", f"thickness {units.length_name}", f"scan {units.length_name}"]
            table = _table(*heads, *([] if self._profile else [f"index {units.length_name}"]))
            for number, place in enumerate(places, 1):
                scan, index = self.positions(place)
                thickness = thickness_number(place.thickness, units)
                table.add_row(str(number), thickness, scan, *([] if self._profile else [index]))
            yield table
        if found.may_be_more:
            yield "    there may be more of them: only the lowest cells were compared"

    def levels(self) -> Iterator[str]:
        """Yield the area below each level."""
        for one in self._found.survey.levels:
            share = (
                ""
                if one.percent_of_measured is None
                else f", {one.percent_of_measured:.2f} % of what was measured"
            )
            apart = (
                f"; {count_text(one.cells_apart, 'suspect or unconfirmed cell')} below it not in this"
                if one.cells_apart
                else ""
            )
            yield (
                f"below {self.level(one.level)}: {count_text(one.cells, 'cell')}, "
                f"{self.area(one.cells)}{share}{apart}"
            )

    def level(self, level: ThicknessLevel) -> str:
        """Return a level as it was given."""
        mm = self.units.thickness_text(level.mm)
        return mm if level.percent is None else f"{level.percent:g} % of nominal ({mm})"

    def thin_areas(self, thin: ThinAreasBelow) -> Iterator[str | Table]:
        """Yield the thin areas below a level."""
        if not thin.count:
            return
        units = self.units
        joined = "a side or a corner" if thin.corners else "a side"
        shown = "" if len(thin.areas) == thin.count else f", the {len(thin.areas)} lowest of them"
        yield (
            f"{count_text(thin.count, 'thin area')} below {self.level(thin.level)}{shown} "
            f"(cells that share {joined}); {thin.borders_unseen:,} next to cells that were not seen"
        )
        name = units.length_name
        size = f"length {name}" if self._profile else f"area {units.area_name}"
        heads = [f"lowest {name}", f"depth {name}", f"at {name}", f"scan {name}"]
        heads += [] if self._profile else [f"index {name}"]
        table = _table(*heads, size, f"mean {name}", "next to")
        scan_turn, index_turn = (None, None) if self._record is None else turns(self._record)
        for area in thin.areas:
            beside = [
                word
                for word, is_so in (
                    ("not seen", area.borders_unseen),
                    ("excluded", area.borders_excluded),
                    ("edge", area.borders_edge),
                )
                if is_so
            ]
            table.add_row(
                thickness_number(area.lowest.thickness, units),
                thickness_number(area.depth, units),
                self._at(area.lowest),
                self._extent(area.scan, scan_turn),
                *([] if self._profile else [self._extent(area.index, index_turn)]),
                self.area(area.cells).rpartition(" ")[0],
                thickness_number(area.mean, units),
                ", ".join(beside),
            )
        yield table

    def _extent(self, extent: Extent, turn: Extent | None) -> str:
        return extent_text(extent, turn, self.units)

    def zones(self) -> Iterator[str | Table]:
        """Yield zones, a line of a table each."""
        if zones := self._found.zones:
            yield "zones:"
            yield self._figures(["zone"], [([one.zone.name], one.figures) for one in zones])

    def squares(self) -> Iterator[str | Table]:
        """Yield squares, a line of a table each."""
        found = self._found
        if found.square is not None:
            scan, index = (self.units.place_text(side) for side in found.square)
            sides = scan if self._profile else f"{scan} (scan) by {index} (index)"
            yield f"{count_text(len(found.squares), 'square')} of {sides}, by their middle:"
            lowest = sorted(found.squares, key=_minimum)[:_MOST_SQUARES]
            rows = []
            for one in found.squares if len(found.squares) <= _MOST_SQUARES else lowest:
                middle = LowPlace(0.0, sum(one.scan) / 2, sum(one.index) / 2)
                rows.append((self._columns(middle), one.figures))
            yield self._figures(self._axes, rows)
            if len(found.squares) > _MOST_SQUARES:
                yield f"    these have the lowest minima; `swathe evaluate --json` has all {len(found.squares):,}"

    @property
    def _axes(self) -> list[str]:
        """The axes that a place has."""
        return ["scan"] if self._profile else ["scan", "index"]

    def _columns(self, place: LowPlace | None) -> list[str]:
        """Return a place as columns of a table."""
        found = ("–", "–") if place is None else self.positions(place)
        return list(found[: len(self._axes)])

    def _figures(self, what: list[str], rows: Sequence[tuple[list[str], PartSummary]]) -> Table:
        units, name = self.units, self.units.length_name
        levels = [f"below {units.number(one.level.mm, 2, 3)}" for one in self._found.survey.levels]
        # Below a level: cells, as measured.
        table = _table(
            *what, f"minimum {name}", *(f"at {axis}" for axis in self._axes), f"mean {name}",
            f"deviation {name}", f"median {name}", "measured", "not seen %", *levels,
        )  # fmt: skip
        for title, figures in rows:
            known, unseen = figures.statistics, figures.percent_unseen
            # Rounded up: 0 % is nothing.
            share = "–" if unseen is None else f"{math.ceil(unseen * 100) / 100:.2f}"
            middle = None if known is None else known.percentiles.get(50.0)
            table.add_row(
                *title,
                "–" if known is None else thickness_number(known.minimum, units),
                *self._columns(figures.minimum),
                "–" if known is None else thickness_number(known.mean, units),
                "–" if known is None else units.number(known.standard_deviation, 3, 4),
                thickness_number(middle, units),
                f"{figures.measured:,}",
                share,
                *(f"{level.cells:,}" for level in figures.levels),
            )
        return table

    def extremes(self) -> Iterator[str]:
        """Yield the probable minimum of the area not scanned, or why there is none; nothing unless asked."""
        found, units = self._found.extremes, self.units
        if found is None:
            return
        if found.refused:
            what = "what was" if self._profile else self._area_text(found.area)
            yield f"probable minimum of {what} not scanned: not stated"
            yield from (f"    {reason}" for reason in found.refused)
            return
        text = units.thickness_text
        yield (
            f"probable minimum of {self._area_text(found.area)} not scanned, if that area is like the one "
            f"scanned: {text(found.minimum_low)} to {text(found.minimum_high)} ({found.coverage:.0%})"
        )
        yield (
            f"    as often below as above {text(found.median)}, itself between {text(found.median_low)} and "
            f"{text(found.median_high)} ({found.coverage:.0%})"
        )
        yield (
            f"    from the minima of {count_text(found.squares, 'square')} of {self._area_text(found.square_area)} "
            f"(Gumbel distribution, scale {units.difference_text(found.scale)}); the area is that of "
            f"{found.ratio:,.1f} squares; {found.incomplete:,} left out for cells that were not seen"
        )
        tests = ", ".join(f"{name} {p:.2f}" for name, p in (found.tests or {}).items())
        yield f"    by chance alone as far off or farther: {tests}"
        yield "    of readings: the noise and the errors of readings are in it, and no more is known of the wall"


def _minimum(square: Square) -> float:
    """Return the minimum of a square, by which squares are sorted."""
    place = square.figures.minimum
    return math.inf if place is None else place.thickness


def thickness_number(mm: float | None, units: DisplayUnits) -> str:
    """Return a thickness with the digits of the record's minimum, without its unit."""
    return units.number(mm, 3, 3)


def _table(*headings: str) -> Table:
    table = Table(title=None, box=None, pad_edge=False, header_style="bold")
    for heading in headings:
        table.add_column(heading, justify="right", overflow="fold")
    return table
