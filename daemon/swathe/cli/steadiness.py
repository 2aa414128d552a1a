"""How readings on a block stand, in a line."""

from __future__ import annotations

from swathe.calibration import StabilityState
from swathe.station import Station, decoder_of, gauge_of, law_of

__all__ = ["spread_tolerance", "steadiness_line"]

# What steel has, for a gauge whose velocity is still to be found; only the readiness to take a
# step hangs on it.
_ABOUT_STEEL = 5.9


def _gives_time(station: Station) -> bool:
    gives = decoder_of(station.device[gauge_of(station)]).gives
    return bool(gives & {"time_of_flight", "waveform"})


def spread_tolerance(station: Station, millimetres: float) -> float:
    """Return a spread of thickness in what the gauge sends: µs, or mm."""
    if not _gives_time(station):
        return millimetres
    law = law_of(station)
    return 2 * millimetres / (law.velocity if law is not None else _ABOUT_STEEL)


def steadiness_line(state: StabilityState, station: Station) -> str:
    """Return how the readings stand, in a line."""
    unit = "µs" if _gives_time(station) else "mm"
    if not state.readings:
        return "no echo yet"
    law = law_of(station) if unit == "µs" else None
    wall = "" if law is None else f" = {float(law.thickness(state.mean)):.3f} mm"
    verdict = "steady" if state.stable else state.reason
    return f"{state.mean:.4f} {unit}{wall}, spread {state.spread:.4f} {unit}: {verdict}"
