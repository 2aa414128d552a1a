"""Handbook velocities of longitudinal waves, as a check on a calibration and never instead of one.

The velocity of a real part depends on alloy, texture, heat treatment and temperature; a table is
good to a percent or two. "CRC" is the CRC Handbook of Chemistry and Physics, section 14, "Speed of
Sound in Various Media"; the page seen was cut off before the steels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathe.calibration.corrections import Known
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import CalibrationError

__all__ = ["MATERIALS", "Material", "material_named", "plausible"]

_CRC = "CRC Handbook of Chemistry and Physics, section 14"
_CRC_TABLE = "reprint of the table in the CRC Handbook of Chemistry and Physics"


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A material and the velocity of longitudinal waves in it.

    Attributes:
        name: as it is looked up.
        velocity: mm/µs.
        low: lowest plausible velocity, mm/µs.
        high: highest plausible velocity, mm/µs.
        source: where the velocity is from.
        known: how; the plausible range is our own choice.
    """

    name: str
    velocity: float
    low: float
    high: float
    source: str
    known: Known


def _about(
    name: str, velocity: float, source: str, known: Known, *, percent: float = 2.0
) -> Material:
    low, high = velocity * (1 - percent / 100), velocity * (1 + percent / 100)
    return Material(name=name, velocity=velocity, low=low, high=high, source=source, known=known)


MATERIALS = {
    entry.name: entry
    for entry in (
        _about("carbon steel", 5.920, "common handbook figure", Known.MEMORY),
        _about("mild steel", 5.960, _CRC_TABLE, Known.MEMORY),
        _about("stainless steel 347", 5.790, _CRC_TABLE, Known.MEMORY),
        _about("iron, Armco", 5.960, _CRC, Known.TEXT),
        # Cast irons differ by their graphite far more than steels by their alloy (from memory).
        _about("iron, cast", 4.994, _CRC, Known.TEXT, percent=15.0),
        _about("aluminium, rolled", 6.420, _CRC, Known.TEXT),
        _about("copper, annealed", 4.760, _CRC, Known.TEXT),
        _about("copper, rolled", 5.010, _CRC, Known.TEXT),
        _about("brass 70-30", 4.700, _CRC, Known.TEXT),
        _about("nickel", 6.040, _CRC, Known.TEXT),
        _about("acrylic", 2.705, "textbooks, 2.68 to 2.73", Known.MEMORY),
    )
}


def material_named(name: str) -> Material:
    """Return a material by its name; capitals, commas and underscores don't matter.

    Raises:
        CalibrationError: the table has none of that name; the text lists those that it has. Leave
            the material out to go without the check of the velocity.
    """
    wanted = _plain(name)
    for material in MATERIALS.values():
        if _plain(material.name) == wanted:
            return material
    known = "; ".join(MATERIALS)
    msg = (
        f"'material' must be one of: {known} (got {name!r}): "
        "leave it out to go without a check of the velocity"
    )
    raise CalibrationError(msg)


def plausible(material: str, velocity: float, units: DisplayUnits = MILLIMETRES) -> str | None:
    """Return a warning when `velocity` (mm/µs) is none that `material` is known for, else None.

    Velocities are written in `units`.

    Raises:
        CalibrationError: the table has no such material, or the velocity is no number above zero.
    """
    entry = material_named(material)
    if not (math.isfinite(velocity) and velocity > 0):
        msg = f"'velocity' must be > 0 mm/µs (got {velocity})"
        raise CalibrationError(msg)
    if entry.low <= velocity <= entry.high:
        return None
    low = f"{entry.low * 1000:.0f}"
    if not units.is_metric:
        low = units.number(entry.low, 4, 4)

    def text(value: float) -> str:
        return units.velocity_text(value, 0)

    return (
        f"velocity {text(velocity)} is outside {low} to {text(entry.high)}, "
        f"which is plausible for {entry.name} (handbook {text(entry.velocity)}, {entry.known}): "
        "look at the block's material, the step thicknesses and which echo the gate is on"
    )


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace(",", " ").replace("-", " ").split())
