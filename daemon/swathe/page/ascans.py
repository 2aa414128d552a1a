"""An A-scan with what was measured in it, as JSON values for the page."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from swathe.echo import AscanView, GateView

__all__ = ["ascan_values"]


def ascan_values(view: AscanView) -> dict[str, Any]:
    """Return an A-scan as JSON values: times in µs from time zero, levels in % of full screen height.

    ``trace`` is the trace that is measured: behind the band-pass, if there is one.
    """
    return {
        "start": view.start_us,
        "interval": view.interval_us,
        "trace": [_number(value, 1) for value in np.asarray(view.trace, np.float64).tolist()],
        "band_passed": view.band_passed,
        "gates": [_gate_values(gate) for gate in view.gates],
        "flight": None if view.flight is None else [_number(time, 4) for time in view.flight],
        "problem": view.problem,
    }


def _gate_values(gate: GateView) -> dict[str, Any]:
    return {
        "name": gate.settings.name,
        "measure": str(gate.settings.measure),
        "begin": _number(gate.begin, 4),
        "end": _number(gate.end, 4),
        "levels": list(gate.levels),
        "time": _number(gate.time, 4),
        "level": _number(gate.level, 1),
        "second_time": _number(gate.second_time, 4),
        "problem": gate.problem,
    }


def _number(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits)
