"""The next step by hand as text: in full, and shorter where there is less space."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from textwrap import wrap

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.motion.carriage.numbers import numbers_text
from swathe.motion.revisit.hand_step import HandStep
from swathe.pipeline import GapCause
from swathe.pipeline.progress.fields import count_text
from swathe.station import Axis, AxisNames

__all__ = ["HandText", "fitted", "hand_text"]

_SEPARATOR = "; "
_ADVICE = {
    GapCause.NO_SIGNAL: "mind the coupling",
    GapCause.UNREAD: "mind the gauge's line",
    GapCause.SUSPECT: "after a passed check",
    GapCause.SLIPPED: "after the position was set again",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandText:
    """How positions are named and in which unit.

    Attributes:
        index: the index axis.
        units: of lengths.
        scan_names: of the ends of the scan axis.
        index_names: of the index axis.
        scan_length: of the scan axis, mm.
    """

    index: Axis
    units: DisplayUnits = MILLIMETRES
    scan_names: AxisNames = field(default_factory=AxisNames)
    index_names: AxisNames = field(default_factory=AxisNames)
    scan_length: float = 0.0

    def length(self, mm: float, *, unit: bool = True) -> str:
        """Return a length without needless digits, with its unit or without."""
        text = self.units.number(mm, 0, 2)
        return self.units.with_unit(text) if unit else text

    def speed(self, mm_per_s: float) -> str:
        """Return a speed of two digits, rounded down."""
        value = self.units.length(mm_per_s)
        step = 10.0 ** (math.floor(math.log10(value)) - 1)
        return f"{math.floor(value / step + 1e-9) * step:.10g} {self.units.speed_name}"


def hand_text(step: HandStep, text: HandText) -> str:
    """Return a step as text, in parts separated by semicolons; the first alone is enough to act.

    Args:
        step: the step.
        text: names and unit.
    """
    if step.kind == "done":
        return "all is measured"
    return _SEPARATOR.join(part for part in (_head(step, text), *_details(step, text)) if part)


def fitted(words: str, width: int, *, lines: int = 2) -> str:
    """Return as many parts of a text, from the first on, as fit into `lines` of `width` columns.

    The first part is always whole.
    """
    parts = words.split(_SEPARATOR)
    while len(parts) > 1 and len(wrap(_SEPARATOR.join(parts), max(width, 1))) > lines:
        parts.pop()
    return _SEPARATOR.join(parts)


def _head(step: HandStep, text: HandText) -> str:
    if step.rows:
        return _carriage_head(step, text)
    lines = text.index.cells
    line = f"line {step.line}"
    span = f"from {text.length(step.start, unit=False)} to {text.length(step.end)}"
    name = text.scan_names.towards(rising=step.rising)
    towards = f", towards {name}" if name else ""
    if step.kind == "again":
        speed = "" if not step.speed else f", below {text.speed(step.speed)}"
        again = f"{line} again, {span}" if lines > 1 else f"again {span}"
        return f"{again}{towards}{speed}"
    if step.kind == "continue":
        return f"continue {line} {span}{towards}" if lines > 1 else f"continue {span}{towards}"
    towards = towards or f", towards {'higher' if step.rising else 'lower'} positions"
    begin = f"from {text.length(step.start)}{towards}"
    return f"{line} of {lines}, {begin}" if lines > 1 else begin


def _carriage_head(step: HandStep, text: HandText) -> str:
    """Return where the carriage is to be put, and what its probes scan there."""
    place = (
        f"carriage at index {text.length(step.index)}, " if text.index.cells > 1 else "carriage "
    )
    name = text.scan_names.towards(rising=step.rising)
    towards = f", towards {name}" if name else ""
    speed = "" if not step.speed else f", below {text.speed(step.speed)}"
    span = f"from {text.length(step.start, unit=False)} to {text.length(step.end)}{towards}{speed}"
    again = " again" if step.kind == "again" else ""
    lines = f": {numbers_text(step.rows)}{again}" if text.index.cells > 1 else again
    return f"{'continue, ' if step.kind == 'continue' else ''}{place}{span}{lines}"


def _details(step: HandStep, text: HandText) -> list[str]:
    """Return what helps in addition, the most useful first."""
    details = []
    if step.cause is not None and step.cause in _ADVICE:
        details.append(f"{step.cause}: {_ADVICE[step.cause]}")
    if text.index.cells > 1:
        details.append(_index_text(step, text))
    elif text.scan_names.clock is not None:
        hours = (text.scan_names.hour(end, text.scan_length) for end in (step.start, step.end))
        details.append(" to ".join(hours))
    if step.kind == "again":
        gaps = f"{count_text(step.gaps, 'gap')}, " if step.gaps > 1 else ""
        why = "" if step.cause in _ADVICE else f": {step.cause}"
        details.append(f"{gaps}{text.length(step.missing)} missing{why}")
        if step.further:
            details.append(f"and {count_text(step.further, 'more line')} next to it")
    elif step.elsewhere:
        details.append(f"then {count_text(step.elsewhere, 'gap')} on other lines")
    return details


def _index_text(step: HandStep, text: HandText) -> str:
    place = f"index {text.length(step.index)}" if not step.rows else "the carriage"
    length = (text.index.cells - (not text.index.wrapped)) * text.index.resolution
    if hour := text.index_names.hour(step.index, length):
        place += f" ({hour})"
    if step.rows and (step.kind == "continue" or step.across is None):
        return ""
    if step.kind == "continue" or step.across is None:
        return place
    if abs(step.across) < text.index.resolution / 2:
        return "" if step.rows else f"{place}, the line you are on"
    name = text.index_names.towards(rising=step.across > 0)
    way = f"towards {name}" if name else ("further" if step.across > 0 else "back")
    moved = f"{text.length(abs(step.across))} {way}"
    return f"{place} {moved}" if step.rows else f"{place}, {moved}"
