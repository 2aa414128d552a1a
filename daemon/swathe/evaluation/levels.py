"""Levels of thickness below which areas are counted: a thickness, or a share of the nominal one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathe.errors import SwatheError
from swathe.units import length

__all__ = ["ThicknessLevel", "level_of"]


@dataclass(frozen=True, slots=True)
class ThicknessLevel:
    """A level of thickness. It is what the user asked about, and no limit of acceptance.

    Attributes:
        mm: the level.
        percent: of the nominal thickness, if it was given so.
    """

    mm: float
    percent: float | None = None


def level_of(level: float | str, nominal: float | None) -> ThicknessLevel:
    """Return a level.

    Args:
        level: mm, or a text: a length with its unit, or ``"80 %"`` of the nominal thickness.
        nominal: nominal thickness, mm; None where none is stated.

    Raises:
        SwatheError: it is none, or a share of a nominal thickness that is not stated.
    """
    if isinstance(level, str):
        text = level.strip()
        if text.endswith("%"):
            return _share(text, nominal)
        try:
            mm = length(text)
        except ValueError as error:
            message = f"a level {error}, or a share of the nominal thickness such as '80 %' (got {level!r})"
            raise SwatheError(message) from error
    else:
        mm = float(level)
    if not (math.isfinite(mm) and mm > 0):
        message = f"a level must be above zero (got {level!r})"
        raise SwatheError(message)
    return ThicknessLevel(mm)


def _share(text: str, nominal: float | None) -> ThicknessLevel:
    try:
        percent = float(text.removesuffix("%"))
    except ValueError:
        percent = math.nan
    if not (math.isfinite(percent) and percent > 0):
        message = f"a level must be a length or a share above zero such as '80 %' (got {text!r})"
        raise SwatheError(message)
    if nominal is None:
        message = (
            f"the level '{text}' needs a nominal thickness, and the survey has none: "
            "give the level as a length such as '8 mm'"
        )
        raise SwatheError(message)
    return ThicknessLevel(nominal * percent / 100, percent)
