"""What the probe's beam means for the plan: how wide it is on the back wall, and what overlaps."""

from __future__ import annotations

from swathe.calibration import Beam, CalibrationError
from swathe.display_units import DisplayUnits
from swathe.errors import Problem
from swathe.station.law import law_of
from swathe.station.model import Station

__all__ = ["beam_of", "beam_on_wall", "beam_text", "beam_warnings", "check_probe"]


def beam_of(station: Station) -> Beam | None:
    """Return the probe's beam in the part; None where it is unknown.

    It is known from the data sheet (``probe.beam``), or else for a single element where the
    velocity is known.

    Raises:
        CalibrationError: diameter and frequency make no beam.
    """
    probe, law = station.probe, law_of(station)
    if probe is None:
        return None
    if probe.beam is not None:
        return Beam(probe.beam)
    if probe.kind == "dual" or law is None:
        return None
    return Beam.of_piston(diameter=probe.diameter, frequency=probe.frequency, velocity=law.velocity)


def beam_on_wall(station: Station) -> float | None:
    """Return the width of the beam on the back wall at nominal thickness, -6 dB, mm.

    None where it is unknown: no probe, a dual-element one without ``probe.beam``, no velocity, or
    no nominal thickness while the beam opens.
    """
    beam, depth = beam_of(station), station.survey.nominal_thickness
    if beam is None or (depth is None and beam.opening):
        return None
    return float(beam.width(depth or 0.0))


def beam_text(width: float, units: DisplayUnits) -> str:
    """Return in words how wide the beam is on the back wall, mm, and what that means."""
    text = units.thickness_text(width)  # with the decimals of a thickness
    return f"beam on the back wall: {text} wide (-6 dB); a smaller pit may be missed"


def check_probe(station: Station) -> list[Problem]:
    """Return what is wrong with the table ``[probe]``."""
    probe = station.probe
    if probe is None:
        return []
    if probe.kind == "single" and probe.separation:
        requirement = "must be 0 for a single element"
        return [
            Problem(
                "probe.separation",
                requirement,
                station.display.stated_text(probe.separation),
                "kind = 'dual'",
            )
        ]
    try:
        beam_of(station)
    except CalibrationError as error:
        return [
            Problem(
                "probe",
                str(error),
                f"{station.display.stated_text(probe.diameter)} at {probe.frequency:g} MHz",
            )
        ]
    return []


def beam_warnings(station: Station) -> list[str]:
    """Return in words where lines or readings are too far apart for the beam."""
    width, probe = beam_on_wall(station), station.probe
    if width is None or probe is None or station.spots is not None:
        return []  # spots are apart by design
    most = width * (1 - probe.overlap / 100)
    shown = station.display
    overlap = f"less {probe.overlap:g} % of overlap" if probe.overlap else "without overlap"
    axes = [station.scan_axis, *([station.index_axis] if station.index else [])]
    return [
        f"the {axis.name} axis steps by {shown.stated_text(axis.resolution)}, but the beam is "
        f"{shown.thickness_text(width)} wide on the back wall (-6 dB), {overlap}: step by at "
        f"most {shown.thickness_text(most)}, or the wall in between is not seen and a pit "
        "there is missed"
        for axis in axes
        if axis.resolution > most * (1 + 1e-9)
    ]
