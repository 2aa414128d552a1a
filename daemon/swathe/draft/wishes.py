"""What is wished of a plan, as flags or answers give it: each text is checked as it is taken."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from swathe.errors import SwatheError
from swathe.station.spots import MOST_SPOTS
from swathe.units import length, velocity

__all__ = [
    "PlanWishes",
    "cell_size",
    "check_station_name",
    "mm_text",
    "part_text",
    "positive_length",
    "scale_of",
    "sound_velocity",
    "spot_count",
    "station_name",
    "units_of",
    "width_of",
]

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_INCHES = re.compile(r"[\d.]\s*(in|inch|inches|thou|ft)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWishes:
    """What is measured; empty texts where nothing is wished.

    Attributes:
        name: of the station.
        part: what is scanned.
        length: along the scan axis.
        width: across it.
        cell: one size of a cell, or those along and across.
        nominal: thickness.
        spots: number of spots, where there is no encoder.
        scan_scale: of an encoder that sends counts: counts per mm, or a wheel.
        index_scale: likewise, across.
        velocity: of sound, for a gauge that sends times of flight.
    """

    name: str = ""
    part: str = ""
    length: str = ""
    width: str = ""
    cell: str = ""
    nominal: str = ""
    spots: str = ""
    scan_scale: str = ""
    index_scale: str = ""
    velocity: str = ""

    @property
    def units(self) -> str:
        """``in`` where the length is given in inches, else ``mm``."""
        return units_of(self.length or self.nominal)


def station_name(text: str) -> str:
    """Return the name of a station.

    Raises:
        ValueError: it cannot be one; the text is the requirement.
    """
    if _NAME.fullmatch(text) is None:
        message = "must be 1 to 64 letters, digits, '_', '.' and '-', a letter or digit first"
        raise ValueError(message)
    return text


def check_station_name(name: str) -> None:
    """Refuse a name that no station can have, given or taken from a file or scenario.

    Raises:
        SwatheError: names the requirement, the text and the option.
    """
    try:
        station_name(name)
    except ValueError as error:
        message = f"the station's name {error} (got {name!r}): give --name"
        raise SwatheError(message) from error


def part_text(text: str) -> str:
    """Return what is scanned.

    Raises:
        ValueError: it has characters that are none, such as bytes of another encoding.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        message = "must be text, and has bytes of another encoding"
        raise ValueError(message) from None
    return text.strip()


def positive_length(text: str) -> float:
    """Return a length in mm.

    Raises:
        ValueError: it is none, or not greater than 0; the text is the requirement.
    """
    return _positive(length(text))


def width_of(text: str) -> float:
    """Return the width of a plan in mm; 0 is a single line.

    Raises:
        ValueError: it is no length, or negative; the text is the requirement.
    """
    value = 0.0 if text.strip() == "0" else length(text)
    if value < 0:
        message = "must be 0, for a single line, or more"
        raise ValueError(message)
    return value


def cell_size(text: str) -> tuple[str, str]:
    """Return the size of a cell along the scan axis and across it, as texts with units.

    The second is empty where one size is given for both.

    Args:
        text: one length for both, or two with an ``x`` or ``×`` between, such as ``4 mm x 8 mm``.

    Raises:
        ValueError: it is neither; the text is the requirement.
    """
    parts = [part.strip() for part in re.split(r"\s+x\s+|×", text.strip())]
    if len(parts) > 2:
        message = "must be one length, or two such as '4 mm x 8 mm': along and across"
        raise ValueError(message)
    for part in parts:
        positive_length(part)
    return parts[0], parts[1] if len(parts) > 1 else ""


def scale_of(text: str) -> dict[str, object]:
    """Return the keys of an axis that give its scale.

    Args:
        text: counts per mm, such as ``26.07``, or a wheel's diameter and pulses a turn, such as
            ``50 mm x 1024``, whose four edges are counted.

    Raises:
        ValueError: it is neither; the text is the requirement.
    """
    parts = [part.strip() for part in re.split(r"\s+x\s+|×", text.strip())]
    message = "must be counts per mm, such as 26.07, or a wheel such as '50 mm x 1024'"
    try:
        if len(parts) == 1:
            counts = float(parts[0])
            if math.isfinite(counts) and counts > 0:
                return {"counts_per_mm": counts}
        elif len(parts) == 2 and positive_length(parts[0]) and int(parts[1]) > 0:
            return {"wheel": {"diameter": parts[0], "pulses": int(parts[1]), "edges": 4}}
    except ValueError:
        pass
    raise ValueError(message)


def spot_count(text: str) -> int:
    """Return the number of spots.

    Raises:
        ValueError: it is no whole number from 1 to 10,000; the text is the requirement.
    """
    if text.strip().isdecimal() and 1 <= int(text) <= MOST_SPOTS:
        return int(text)
    message = f"must be a whole number from 1 to {MOST_SPOTS:,}"
    raise ValueError(message)


def sound_velocity(text: str) -> float:
    """Return a velocity of sound in mm/µs.

    Raises:
        ValueError: it is none, or not greater than 0; the text is the requirement.
    """
    return _positive(velocity(text))


def mm_text(value: float) -> str:
    """Return a length in mm as a text with its unit, without a rounding error."""
    return f"{float(f'{value:.9g}'):g} mm" if abs(value) < 1e6 else f"{value:.9g} mm"


def units_of(text: str) -> str:
    """Return the station's ``units`` by the unit in which a length was typed."""
    return "in" if _INCHES.search(text) else "mm"


def _positive(value: float) -> float:
    if not value > 0:
        message = "must be > 0"
        raise ValueError(message)
    return value
