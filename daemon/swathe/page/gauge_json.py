"""The state of a gauge as JSON values: lengths in mm, times of flight in µs, levels in % of FSH."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.echo import AscanView
from swathe.page.ascans import ascan_values
from swathe.pipeline.gauge_state import STRIP_SECONDS, GaugeState

__all__ = ["ascan_json", "gauge_json"]

# Samples that are sent as they are; of a longer A-scan the lowest and highest of each group.
_MOST_SAMPLES = 1000


def gauge_json(state: GaugeState) -> dict[str, Any]:
    """Return the state of a gauge."""
    return {
        "device": state.device,
        "port": state.port,
        "detail": state.detail,
        "readings": state.readings,
        "rate": _rounded(state.rate, 1),
        "age": _rounded(state.age, 2),
        "thickness": _rounded(state.thickness, 4),
        "time_of_flight": _rounded(state.time_of_flight, 4),
        "amplitude": _rounded(state.amplitude, 1),
        "problem": state.problem,
        "ascan": None if state.ascan is None else ascan_json(state.ascan),
        "strip": [
            None if c is None else [_rounded(c.low, 3), _rounded(c.high, 3), c.invalid]
            for c in state.strip
        ],
        "strip_seconds": STRIP_SECONDS,
        "strip_unit": state.strip_unit,
    }


def ascan_json(view: AscanView) -> dict[str, Any]:
    """Return an A-scan as `ascan_values` does, at `_MOST_SAMPLES` samples about, with amplitudes."""
    trace, interval = _thinned(view.trace, view.interval_us)
    values = ascan_values(replace(view, trace=trace, interval_us=interval))
    for gate, seen in zip(values["gates"], view.gates, strict=True):
        gate["amplitude"] = _rounded(seen.amplitude, 1)
    return values


def _thinned(samples: NDArray[np.float32], interval_us: float) -> tuple[NDArray[np.float32], float]:
    """Return samples of which no peak is lost, and the interval between two of them, µs."""
    size = -(-samples.size // (_MOST_SAMPLES // 2))
    if samples.size <= _MOST_SAMPLES:
        return samples, interval_us
    missing = -samples.size % size
    groups = np.concatenate((samples, np.repeat(samples[-1:], missing))).reshape(-1, size)
    lowest, highest = groups.argmin(axis=1), groups.argmax(axis=1)
    rows = np.arange(groups.shape[0])
    first, second = np.minimum(lowest, highest), np.maximum(lowest, highest)
    pairs = np.stack((groups[rows, first], groups[rows, second]), axis=1)
    return pairs.reshape(-1), interval_us * size / 2


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
