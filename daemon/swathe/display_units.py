"""Lengths as text in the unit that the operator reads: millimetres or inches.

Inside Swathe every length is mm. What a person reads is made from it at the edge, here, with the
decimals that are customary in its unit: a wall to 0.01 mm or 0.001 in, deviations and uncertainties
to one decimal more, a place to what its cells need. Nothing is rounded before, so that no
conversion costs a digit. The inch is exactly 25.4 mm.

Numbers in files and messages that carry their unit in name or schema remain mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from swathe.units import MM_PER_INCH
from swathe.units import length as quantity_of_length

__all__ = ["INCHES", "MILLIMETRES", "DisplayUnits"]

_MM_PER_FOOT = 304.8
_PLACE_DECIMALS = {"mm": (1, 3), "in": (2, 4)}
"""Minimum and maximum decimals of a place."""
# A resolution of so many decimals is exact but for the rounding of its conversion.
_EXACT = 1e-6
_STATED_DECIMALS = 4
# What was stated in inches differs by rounding only, 12 digits of which are kept.
_SAME = 1e-8
_STATED_DIGITS = 10


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """The unit of lengths in what a person reads, and how lengths are written in it.

    Attributes:
        length_name: symbol of the unit of length, ``mm`` or ``in``.
    """

    length_name: Literal["mm", "in"] = "mm"

    @property
    def is_metric(self) -> bool:
        """Whether lengths are shown in mm."""
        return self.length_name == "mm"

    @property
    def length_words(self) -> str:
        """The unit of length within a sentence, where ``in`` would be read as a preposition."""
        return "mm" if self.is_metric else "inches"

    @property
    def mm_per_unit(self) -> float:
        """Millimetres per unit of length."""
        return 1.0 if self.is_metric else MM_PER_INCH

    @property
    def area_name(self) -> str:
        """Symbol of the unit of area."""
        return f"{self.length_name}²"

    @property
    def speed_name(self) -> str:
        """Symbol of the unit of speed."""
        return f"{self.length_name}/s"

    def length(self, mm: float) -> float:
        """Return a length, place or speed in the unit shown, not rounded."""
        return mm / self.mm_per_unit

    def thickness(self, mm: float) -> float:
        """Return a thickness in the unit shown, rounded to what `thickness_text` writes."""
        return round(self.length(mm), 2 if self.is_metric else 3)

    def to_mm(self, length: float) -> float:
        """Return a length that was given in the unit shown, in mm."""
        return length * self.mm_per_unit

    def read_length(self, text: str) -> float:
        """Return a length that a person typed, in mm: a number in the unit shown, or with its unit.

        Raises:
            ValueError: not a length; the text says what is required.
        """
        try:
            number = float(text)
        except ValueError:
            try:
                return quantity_of_length(text)
            except ValueError as error:
                msg = f"must be a number, in {self.length_name}, or a length with its unit, such as {self.example!r}"
                raise ValueError(msg) from error
        if not math.isfinite(number):
            msg = f"must be a finite length, such as {self.example!r}"
            raise ValueError(msg)
        return float(f"{self.to_mm(number):.12g}")

    @property
    def example(self) -> str:
        """A length with the unit shown, for prompts."""
        return "120 mm" if self.is_metric else "4.75 in"

    def number(
        self,
        mm: float | None,
        decimals: int,
        inch_decimals: int | None = None,
        *,
        sign: bool = False,
    ) -> str:
        """Return a length as a number without its unit; ``–`` for None or NaN.

        Args:
            mm: the length, mm.
            decimals: in mm.
            inch_decimals: in inches; one more by default.
            sign: whether a plus is written too.
        """
        if mm is None or math.isnan(mm):
            return "–"
        if not self.is_metric:
            decimals = decimals + 1 if inch_decimals is None else inch_decimals
        value = round(self.length(mm), decimals) + 0.0  # -0.0 becomes 0.0
        return f"{value:{'+' if sign else ''},.{decimals}f}"

    def with_unit(self, number: str) -> str:
        """Return a number that is written already, with the unit of length."""
        return f"{number} {self.length_name}"

    def thickness_text(self, mm: float | None) -> str:
        """Return a wall thickness: ``6.80 mm``, ``0.268 in``."""
        return self.with_unit(self.number(mm, 2, 3))

    def difference_text(self, mm: float | None, *, sign: bool = False) -> str:
        """Return a deviation or an uncertainty of a thickness: ``0.024 mm``, ``0.0009 in``."""
        return self.with_unit(self.number(mm, 3, 4, sign=sign))

    def stated_thickness_text(self, mm: float) -> str:
        """Return a thickness that somebody stated, such as a step: ``5.08 mm``, ``0.200 in``."""
        return self.with_unit(self.stated_thickness_number(mm))

    def stated_thickness_number(self, mm: float) -> str:
        """Return a thickness that somebody stated without its unit; 3 decimals in inches, or 4."""
        return self._stated(mm, 3, otherwise=3)

    def place_decimals(self, resolution: float | None = None) -> int:
        """Return with how many decimals a place is written.

        As many as the resolution has: two for 0.05 in, four for 0.0625 in; where it has no end in
        the unit shown, such as 1 mm in inches, as many as a tenth of it needs.

        Args:
            resolution: width of a cell on the place's axis, mm; None for the minimum.
        """
        minimum, maximum = _PLACE_DECIMALS[self.length_name]
        if resolution is None:
            return minimum
        width = self.length(resolution)
        for decimals in range(minimum, maximum + 1):
            if abs(round(width, decimals) - width) <= _EXACT * width:
                return decimals
        needed = math.ceil(-math.log10(width / 10))
        return min(max(needed, minimum), maximum)

    def place_number(self, mm: float | None, resolution: float | None = None) -> str:
        """Return a place without its unit; ``–`` for None or NaN."""
        decimals = self.place_decimals(resolution)
        return self.number(mm, decimals, decimals)

    def place_text(self, mm: float | None, resolution: float | None = None) -> str:
        """Return a place on an axis: ``45.7 mm``, ``1.80 in``.

        Args:
            mm: where it is, mm.
            resolution: width of a cell on that axis, mm.
        """
        return self.with_unit(self.place_number(mm, resolution))

    def stated_number(self, mm: float, resolution: float | None = None) -> str:
        """Return a length of plan or settings without its unit, see `stated_text`."""
        minimum = 2 if resolution is None else self.place_decimals(resolution)
        return self._stated(mm, minimum)

    def stated_text(self, mm: float, resolution: float | None = None) -> str:
        """Return a length of plan or settings: ``4 mm``, ``0.05 in``.

        In mm it has no trailing zeros; in inches two decimals or more, and those of its cells.

        Args:
            mm: the length or place, mm.
            resolution: width of a cell on its axis, mm.
        """
        return self.with_unit(self.stated_number(mm, resolution))

    def _stated(self, mm: float, minimum: int, *, otherwise: int = _STATED_DECIMALS) -> str:
        value = self.length(mm)
        if self.is_metric:
            return f"{value + 0.0:.{_STATED_DIGITS}g}"
        decimals = next(
            (
                d
                for d in range(minimum, _STATED_DECIMALS + 1)
                if abs(round(value, d) - value) < _SAME
            ),
            max(otherwise, minimum),
        )
        return self.number(mm, decimals, decimals)

    def speed_text(self, mm_per_s: float | None) -> str:
        """Return a speed: ``250.0 mm/s``, ``9.84 in/s``."""
        return f"{self.number(mm_per_s, 1)} {self.speed_name}"

    def area_text(self, mm2: float) -> str:
        """Return an area: ``1,290 mm²``, ``2.00 in²``."""
        return f"{self.area_number(mm2)} {self.area_name}"

    def area_number(self, mm2: float) -> str:
        """Return an area without its unit."""
        value = mm2 / self.mm_per_unit**2
        return f"{value:,.0f}" if self.is_metric else f"{value:,.2f}"

    def velocity_text(self, mm_per_us: float, decimals: int = 1) -> str:
        """Return a velocity of sound: ``5920.0 m/s``, ``0.2331 in/µs``; `decimals` are of m/s."""
        if self.is_metric:
            return f"{mm_per_us * 1000:.{decimals}f} m/s"
        return f"{self.number(mm_per_us, 4, 4)} in/µs"

    def travel_text(self, mm: float) -> str:
        """Return a long distance: ``12.3 m``, ``40.4 ft``."""
        return f"{mm / 1000:,.1f} m" if self.is_metric else f"{mm / _MM_PER_FOOT:,.1f} ft"


MILLIMETRES = DisplayUnits("mm")
INCHES = DisplayUnits("in")
