"""An A-scan in characters: the trace in dots, a gate as a bar at the height of its threshold.

Shapes alone show what is what: a colour only helps. Each gate's bar begins with its number.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from swathe.echo import AscanView, GateView

__all__ = ["ascan_window", "characters_of", "dots_of", "draw_ascan"]

_DOTS_ACROSS, _DOTS_DOWN = 2, 4
# Bits of Unicode's braille patterns (U+2800), by row and column of the dots.
_BITS = np.array([[0, 3], [1, 4], [2, 5], [6, 7]])
_BRAILLE = 0x2800
_MARGIN = 5
_AXIS_LINES = 2
_BAR, _BAR_BEGIN, _BAR_END, _POINT, _SECOND, _TIME = "═", "╞", "╡", "◆", "?", "▲"
_BEHIND = 0.15
"""So much of the window is behind the last gate's end."""

Dots = NDArray[np.bool_]


def ascan_window(view: AscanView, *, whole: bool) -> tuple[float, float]:
    """Return from when to when an A-scan is drawn, µs: all of it, or up to a little behind its gates."""
    ends = [gate.end for gate in view.gates if gate.end is not None]
    if whole or not ends:
        return view.start_us, view.end_us
    span = (max(ends) - view.start_us) / (1 - _BEHIND)
    return view.start_us, min(view.start_us + span, view.end_us)


def dots_of(
    values: NDArray[np.floating], *, low: float, high: float, across: int, down: int
) -> Dots:
    """Return a curve in dots, shape (down, across), True where there is one; the highest row first.

    Every value is within what is drawn of its column, so that no peak between two columns is lost.

    Args:
        values: evenly spaced, shape (n,), two at least.
        low: at the lower edge.
        high: at the upper edge.
        across: dots in a row.
        down: dots in a column.
    """
    place = (high - np.clip(values, low, high)) / (high - low) * (down - 1)
    edges = np.linspace(0, values.size - 1, across + 1)
    dots = np.zeros((down, across), np.bool_)
    rows = np.arange(down)
    at = np.arange(values.size)
    for column in range(across):
        inside = place[math.ceil(edges[column]) : math.floor(edges[column + 1]) + 1]
        ends = np.interp(edges[column : column + 2], at, place)
        every = np.concatenate((inside, ends))
        dots[:, column] = (rows >= np.rint(every.min())) & (rows <= np.rint(every.max()))
    return dots


def characters_of(dots: Dots) -> list[list[str]]:
    """Return rows of characters that show dots; a space where there are none."""
    down, across = dots.shape
    cells = dots.reshape(down // _DOTS_DOWN, _DOTS_DOWN, across // _DOTS_ACROSS, _DOTS_ACROSS)
    codes = (cells.transpose(0, 2, 1, 3) << _BITS).sum(axis=(2, 3))
    return [[chr(_BRAILLE + code) if code else " " for code in row] for row in codes.tolist()]


def draw_ascan(view: AscanView, *, width: int, height: int, whole: bool = False) -> list[Text]:
    """Return an A-scan in `height` lines of `width` characters, or one line less.

    Args:
        view: the A-scan.
        width: characters, 20 at least.
        height: lines, 5 at least.
        whole: whether all of the record is drawn, not only up to a little behind the gates.
    """
    across, down = max(width - _MARGIN, 15), max(height - _AXIS_LINES, 3)
    begin, end = ascan_window(view, whole=whole)
    first = max(math.floor((begin - view.start_us) / view.interval_us), 0)
    last = min(math.ceil((end - view.start_us) / view.interval_us), view.trace.size - 1)
    shown = view.trace[first : last + 1].astype(np.float64)
    end = view.start_us + last * view.interval_us
    low, high = _levels(shown, view)
    if low < 0 and down % 2 == 0:
        down -= 1  # level 0 is in the middle of a line
    dots = dots_of(shown, low=low, high=high, across=across * _DOTS_ACROSS, down=down * _DOTS_DOWN)
    plot = _Plot(characters_of(dots), begin=begin, end=end, low=low, high=high)
    plot.draw_zero()
    for number, gate in enumerate(view.gates, 1):
        plot.draw_gate(number, gate)
    for gate in view.gates:
        plot.draw_point(gate)
    return plot.lines(view)


def _levels(shown: NDArray[np.float64], view: AscanView) -> tuple[float, float]:
    """Return the levels at the lower and upper edge: the whole screen, and more where that is met."""
    levels = [level for gate in view.gates for level in gate.levels]
    low = min(float(shown.min()), *levels, 0.0)
    high = max(float(shown.max()), *levels, 0.0)
    return (0.0 if low > -2.0 else min(low, -100.0)), max(high, 100.0)


class _Plot:
    """The characters of a drawing, with the style of each."""

    def __init__(
        self, cells: list[list[str]], *, begin: float, end: float, low: float, high: float
    ) -> None:
        self._cells = cells
        self._styles = [["cyan" if cell != " " else "" for cell in row] for row in cells]
        self._begin, self._end, self._low, self._high = begin, end, low, high
        self._rows, self._columns = len(cells), len(cells[0])
        self._marks: dict[int, str] = {}

    def _row(self, level: float) -> int:
        share = (self._high - level) / (self._high - self._low)
        return min(max(int(share * self._rows), 0), self._rows - 1)

    def _column(self, time: float) -> int:
        return int((time - self._begin) / (self._end - self._begin) * self._columns)

    def _put(self, row: int, column: int, character: str, style: str, *, over: bool) -> None:
        if 0 <= column < self._columns and (over or self._cells[row][column] == " "):
            self._cells[row][column] = character
            self._styles[row][column] = style

    def draw_zero(self) -> None:
        """Draw the line of level 0 where it is within the drawing."""
        if self._low < 0:
            for column in range(self._columns):
                self._put(self._row(0.0), column, "┄", "dim", over=False)

    def draw_gate(self, number: int, gate: GateView) -> None:
        """Draw a gate's bar at each of its levels; the trace is drawn over it but at its ends."""
        if gate.begin is None or gate.end is None:
            return
        first, last = self._column(gate.begin), self._column(gate.end)
        for level in gate.levels:
            row = self._row(level)
            for column in range(first + 1, last):
                blank = column in range(self._columns) and self._cells[row][column] == "┄"
                self._put(row, column, _BAR, "bold yellow", over=blank)
            self._put(row, first, _BAR_BEGIN, "bold yellow", over=True)
            self._put(row, last, _BAR_END, "bold yellow", over=True)
            self._put(row, max(first - 1, 0), str(number), "bold yellow", over=True)

    def draw_point(self, gate: GateView) -> None:
        """Draw the measured point and its time on the axis, and where another echo may be meant."""
        if gate.time is None or gate.level is None:
            return
        if gate.second_time is not None:
            second = self._column(gate.second_time)
            self._put(self._row(gate.levels[0]), second, _SECOND, "bold red", over=True)
        column = self._column(gate.time)
        style = "bold red" if gate.problem else "bold green"
        self._put(self._row(gate.level), column, _POINT, style, over=True)
        self._marks[column] = _TIME

    def lines(self, view: AscanView) -> list[Text]:
        """Return the drawing with its axes."""
        found: list[Text] = []
        named = {self._row(level): f"{level:g}" for level in self._named_levels()}
        for row, (cells, styles) in enumerate(zip(self._cells, self._styles, strict=True)):
            name = named.get(row, "")
            line = Text(f"{name:>{_MARGIN - 1}}{'┤' if name else '│'}", style="dim", no_wrap=True)
            for cell, style in zip(cells, styles, strict=True):
                line.append(cell, style or "default")
            found.append(line)
        return [*found, *self._axis(view)]

    def _named_levels(self) -> list[float]:
        middle = 0.0 if self._low < 0 else 50.0
        return [self._low, middle, 100.0] if self._high >= 100 else [self._low, middle]

    def _axis(self, view: AscanView) -> list[Text]:
        """Return the axis of time, with its ticks' names below."""
        step = _step((self._end - self._begin) / max(self._columns / 14, 1))
        ticks = {
            self._column(number * step): f"{number * step:g}"
            for number in range(math.ceil(self._begin / step - 1e-9), int(self._end / step) + 1)
        }
        axis = Text("   %└", style="dim", no_wrap=True)
        for column in range(self._columns):
            if column in self._marks:
                axis.append(self._marks[column], "bold green")
            else:
                axis.append("┴" if column in ticks else "─")
        names = [" "] * self._columns
        unit = " µs, band-passed" if view.band_passed else " µs"
        room = self._columns - len(unit)
        for column, name in ticks.items():
            at = min(max(column - len(name) // 2, 0), room - len(name))
            if (
                at >= 0
                and column < room
                and all(c == " " for c in names[max(at - 1, 0) : at + len(name) + 1])
            ):
                names[at : at + len(name)] = name
        names[room:] = unit
        return [axis, Text(" " * _MARGIN + "".join(names), style="dim", no_wrap=True)]


def _step(about: float) -> float:
    """Return 1, 2 or 5 times a power of ten that is not below `about`."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= about * (1 - 1e-9))
