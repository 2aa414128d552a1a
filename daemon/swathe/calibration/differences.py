"""A difference between how a calibration was measured and how a station measures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Difference", "Weight", "same_value", "value_text"]

# Numbers pass through decimals and units on their way into a file.
_ROUNDING = 1e-9


class Weight(StrEnum):
    """What a difference means for the readings."""

    REFUSED = "refused"  # the time of flight or the wall made of it is another one
    WARNED = "warned"  # it may be off by something that the uncertainty has to cover
    UNKNOWN = "unknown"  # one side does not state it


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One condition in which a calibration record and a station differ.

    Attributes:
        key: of the station file, such as ``echo.mode``.
        recorded: what the record has, as text.
        stated: what the station has, as text.
        weight: what follows.
        why: why that follows, in a few words.
    """

    key: str
    recorded: str
    stated: str
    weight: Weight
    why: str = ""

    def __str__(self) -> str:
        text = f"{self.key}: calibrated with {self.recorded}, the station has {self.stated}"
        return f"{text} ({self.why})" if self.why else text


def same_value(one: object, other: object) -> bool:
    """Return whether two values of a settings file are the same.

    Numbers up to rounding; texts but for case and spaces, since people type them.
    """
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=_ROUNDING, abs_tol=_ROUNDING)
    if isinstance(one, str) and isinstance(other, str):
        return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(same_value, one, other))
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same_value(one[k], other[k]) for k in one)
    return one == other


def value_text(value: object, unit: str = "") -> str:
    """Return a value of a settings file as text; ``none`` for None and the empty text."""
    if value is None or value == "":
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:g} {unit}".rstrip()
    return repr(value) if isinstance(value, str) else str(value)
