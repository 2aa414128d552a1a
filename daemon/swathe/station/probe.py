"""What the probe's beam means for the plan: how wide it is on the back wall, and what overlaps."""

from __future__ import annotations

from swathe.calibration import Beam, CalibrationError
from swathe.display_units import DisplayUnits
from swathe.errors import Problem
from swathe.station.law import law_of
from swathe.station.model import Station
from swathe.station.probes import stations_of_probes

__all__ = [
    "beam_lines_of",
    "beam_of",
    "beam_on_wall",
    "beam_text",
    "beam_warnings",
    "beams_of",
    "check_probe",
]


def beam_of(station: Station) -> Beam | None:
    """Return the beam in the part of a station's only probe; None where it is unknown.

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


def beams_of(station: Station) -> tuple[Beam | None, ...]:
    """Return the beam of each probe in the part, by number, as `beam_of`."""
    return tuple(beam_of(one) for one in stations_of_probes(station))


def beam_on_wall(station: Station) -> float | None:
    """Return the width of the beam on the back wall at nominal thickness, -6 dB, mm.

    Of several probes that of the widest, under which most may be missed. None where one is unknown:
    no probe, a dual-element one without ``probe.beam``, no velocity, or no nominal thickness while the
    beam opens.
    """
    widths = _widths_on_wall(station)
    known = [width for width in widths if width is not None]
    return max(known) if len(known) == len(widths) else None


def _widths_on_wall(station: Station) -> list[float | None]:
    """Return the width of the beam of each probe on the back wall, mm, by number."""
    depth = station.survey.nominal_thickness
    return [
        None
        if beam is None or (depth is None and beam.opening)
        else float(beam.width(depth or 0.0))
        for beam in beams_of(station)
    ]


def beam_lines_of(station: Station) -> list[str]:
    """Return in words how wide the beams are on the back wall; a line for each where they differ."""
    widths = _widths_on_wall(station)
    known = [width for width in widths if width is not None]
    if not known:
        return []
    if len(known) == len(widths) and min(known) == max(known):
        return [beam_text(known[0], station.display)]
    unknown = "beam unknown: diameter and frequency, or beam, are not given"
    return [
        f"probe {probe.name}: {unknown if width is None else beam_text(width, station.display)}"
        for probe, width in zip(station.probes, widths, strict=True)
    ]


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
    """Return in words where lines or readings are too far apart for the beam of a probe."""
    if station.spots is not None:
        return []  # they are apart by design
    texts: list[str] = []
    widths = _widths_on_wall(station)
    same = len(set(widths)) == 1
    for one, width, number in zip(
        stations_of_probes(station), widths, range(len(widths)), strict=True
    ):
        if width is None or one.probe is None:
            continue
        of = "" if same else f" of probe {station.probes[number].name}"
        texts += [text for text in _warnings(one, width, of) if text not in texts]
    return texts


def _warnings(station: Station, width: float, of: str) -> list[str]:
    """Return the warnings of a station with one probe, whose beam is so wide, mm."""
    shown, share = station.display, 0.0 if station.probe is None else station.probe.overlap
    most = width * (1 - share / 100)
    overlap = f"less {share:g} % of overlap" if share else "without overlap"
    axes = [station.scan_axis, *([station.index_axis] if station.index else [])]
    return [
        f"the {axis.name} axis steps by {shown.stated_text(axis.resolution)}, but the beam{of} is "
        f"{shown.thickness_text(width)} wide on the back wall (-6 dB), {overlap}: step by at "
        f"most {shown.thickness_text(most)}, or the wall in between is not seen and a pit "
        "there is missed"
        for axis in axes
        if axis.resolution > most * (1 + 1e-9)
    ]
