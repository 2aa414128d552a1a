"""Made-up A-scans, and a plain-Python model that measures them one by one.

The model shares nothing with the code under test but its rules: `scipy.signal.hilbert` for the
envelope, loops for the search, `numpy.polyfit` and `numpy.interp` for what lies between samples.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import hilbert

from swathe.echo import EchoSettings

Waves = NDArray[np.float32]


def burst(
    times: NDArray[Any],
    at: float,
    *,
    frequency: float = 5.0,
    sigma: float = 0.12,
    height: float = 80.0,
    phase: float = 0.0,
) -> NDArray[np.float64]:
    """Return a cosine under a Gaussian: µs, MHz, % of full screen height, radians."""
    off = times - at
    hill = height * np.exp(-0.5 * (off / sigma) ** 2)
    return np.asarray(hill * np.cos(2 * np.pi * frequency * off + phase))


def scans(
    echoes: Any, *, samples: int = 512, interval: float = 0.02, start: float = 0.0, **shape: Any
) -> Waves:
    """Return A-scans; `echoes` has one list of (time, height) for each."""
    times = start + interval * np.arange(samples)
    rows = [
        sum((burst(times, at, height=height, **shape) for at, height in row), np.zeros(samples))
        for row in echoes
    ]
    return np.array(rows, np.float32).reshape(len(rows), samples)


def settings(*gates: dict[str, Any], **changes: Any) -> EchoSettings:
    """Return settings with one gate called A from 1 to 9 µs at 20 %, unless told otherwise."""
    base = {"name": "A", "start": "1 us", "width": "8 us", "threshold": 20}
    table: dict[str, Any] = {
        "gate": [base | gate for gate in gates or ({},)],
        "time_of_flight": "A",
    }
    return EchoSettings.model_validate(table | changes)


def model_times(
    wave: NDArray[Any], *, first: int, width: int, threshold: float, kind: str, polarity: str
) -> list[float]:
    """Return the place of the first echo in a gate, in samples; nothing if there is none.

    Where two half cycles are nearly even, either is right and both are returned.
    """
    data = np.asarray(wave, np.float64)
    analytic = hilbert(data)
    hull = np.abs(analytic)
    sign = -1 if polarity == "negative" else 1
    seen = np.abs(data) if polarity == "either" else sign * data
    trigger = hull if kind == "zero_crossing" else seen
    reached = next((k for k in range(first, first + width) if trigger[k] >= threshold), None)
    if reached is None:
        return []
    if kind == "flank":
        if hull[first] >= threshold:
            return []
        same = data if data[reached] > 0 else -data
        line = (same[reached - 1], same[reached])
        return [float(np.interp(threshold, line, (reached - 1, reached)))]
    begun = reached
    while begun > first and hull[begun - 1] >= threshold:
        begun -= 1
    highest, end = 0.0, begun
    while end < first + width:
        highest = max(highest, hull[end])
        if end >= reached and hull[end] < 0.7 * highest:
            break
        end += 1
    echo = range(begun, end)
    top = max(echo, key=hull.__getitem__)
    if top in (first, first + width - 1):
        return []
    if kind == "peak":
        highest = max(seen[k] for k in echo)
        tops = [k for k in echo if seen[k] > highest * (1 - 1e-5)]
        return [_parabola(seen, k) for k in tops if seen[k] >= max(seen[k - 1], seen[k + 1])]
    lobe = [(k, hull[k] - 0.7 * hull[top]) for k in echo if hull[k] > 0.7 * hull[top]]
    middle = sum(k * weight for k, weight in lobe) / sum(weight for _, weight in lobe)
    # The phase of the lobe and two periods about it, without its jumps.
    stretch = np.arange(max(top - 30, 0), min(top + 31, data.size))
    phase = np.unwrap(np.angle(sign * analytic[stretch]))
    turns = float(np.interp(middle, stretch, phase)) / (2 * math.pi)
    return [
        float(np.interp(2 * math.pi * (peak + 0.25), phase, stretch))
        for peak in sorted({round(turns - 0.02), round(turns + 0.02)})
    ]


def _parabola(values: NDArray[np.float64], k: int) -> float:
    """Return where the parabola through a sample and its neighbours has its top."""
    curve, slope, _ = np.polyfit((-1, 0, 1), values[k - 1 : k + 2], 2)
    return float(k - slope / (2 * curve))
