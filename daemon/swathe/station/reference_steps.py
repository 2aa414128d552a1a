"""Checks the places of reference steps on the part, to which a crawler drives."""

from __future__ import annotations

from typing import Any

from swathe.display_units import DisplayUnits
from swathe.errors import Problem
from swathe.station.quality import VerificationSettings
from swathe_drivers.motion import MotionCodec

__all__ = ["check_reference_steps"]


def check_reference_steps(parts: dict[str, Any], codec: MotionCodec | None) -> list[Problem]:
    """Return what is wrong with ``verification.at``.

    Args:
        parts: validated tables of the station file by name.
        codec: has the travel of the crawler's axes; None without a crawler.
    """
    settings: VerificationSettings | None = parts.get("verification")
    if settings is None or not settings.at:
        return []
    key = "verification.at"
    if codec is None:
        remedy = "only a crawler drives there: by hand the probe is put on the block"
        return [Problem(key, "needs a table [motion]", len(settings.at), remedy)]
    problems: list[Problem] = []
    units = DisplayUnits(parts.get("units", "mm"))
    if len(settings.at) != len(settings.steps):
        remedy = 'one for each step: at = [{ scan = "10 mm", index = "0 mm" }, ...]'
        requirement = f"must have {len(settings.steps)}, as many as 'verification.steps'"
        problems.append(Problem(key, requirement, len(settings.at), remedy))
    probes = parts.get("probes", ()) or (None,)
    for place in settings.at:
        for name in codec.axes:
            axis, at = codec.axes[name], getattr(place, name, 0.0)
            for probe in probes:
                # The travel is the datum's; a probe at an offset has its own.
                datum = at - (0.0 if probe is None else getattr(probe, name, 0.0))
                if axis.min_mm <= datum <= axis.max_mm:
                    continue
                ends = f"{units.stated_number(axis.min_mm)} to {units.stated_text(axis.max_mm)}"
                of = "" if probe is None else f" with probe {probe.name} on it"
                requirement = f"must be within the travel{of}, {ends}"
                remedy = f"see motion.protocol.axes.{name}"
                problems.append(
                    Problem(f"{key}.{name}", requirement, units.stated_text(at), remedy)
                )
                break  # one such probe is enough
    return problems
