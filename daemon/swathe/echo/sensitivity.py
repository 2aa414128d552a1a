"""The sensitivity of instrument, cable and probe: the height of a reference echo, in dB."""

from __future__ import annotations

import math

__all__ = ["deviation_db"]


def deviation_db(measured: float, reference: float) -> float:
    """Return by how much an echo is higher than the reference echo, dB; negative where it is lower.

    ``20 log10(measured / reference)``: the decibel of two amplitudes, as ISO 80000-3:2006 defines
    the level of a field quantity, and as ISO 5577 uses it for echo heights (from memory).

    Args:
        measured: height of the echo, above 0; % of full screen height.
        reference: height of the reference echo, above 0, in the same unit.

    Raises:
        ValueError: a height is not above 0, or not finite.
    """
    for name, height in (("measured", measured), ("reference", reference)):
        if not (math.isfinite(height) and height > 0):
            msg = f"'{name}' must be > 0 (got {height!r})"
            raise ValueError(msg)
    return 20 * math.log10(measured / reference)
