"""Measured points of an echo against scipy (1.17.1) and the closed form of the pulse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import correlate

from daemon.echo_model import scans, settings
from swathe.echo import measure

SIGMA, FREQUENCY = 0.12, 5.0


def pulse(time: float) -> float:
    """Return a cosine under a Gaussian of height 1, at a time from its top in µs."""
    return math.exp(-0.5 * (time / SIGMA) ** 2) * math.cos(2 * math.pi * FREQUENCY * time)


@pytest.mark.parametrize("share", [40, 50, 70])
def test_flank_is_the_root_of_the_pulse(share: int) -> None:
    """A share of the echo's height is met where scipy finds the root, at every height."""
    root = brentq(lambda t: pulse(t) - share / 100, -0.25 / FREQUENCY, 0.0)
    waves = scans([[(4.0, height)] for height in (25.0, 50.0, 95.0)], interval=0.005, samples=2048)
    gate = {"measure": "flank", "flank_level": share}
    got = measure(waves, interval_us=0.005, start_us=0.0, settings=settings(gate))
    assert got.time_of_flight == pytest.approx([4.0 + root] * 3, abs=2e-4)


@pytest.mark.parametrize("gate", [{"measure": "peak"}, {}, {"measure": "flank", "flank_level": 50}])
def test_time_between_echoes_is_the_lag_of_the_correlation(gate: dict[str, object]) -> None:
    """From one A-scan to another the time changes by the lag at which scipy has them correlate best."""
    at = (3.0, 5.37)
    waves = scans([[(one, 70.0)] for one in at], interval=0.01, samples=1024)
    got = measure(waves, interval_us=0.01, start_us=0.0, settings=settings(gate))
    lag = int(np.argmax(correlate(waves[1], waves[0]))) - (waves.shape[1] - 1)
    assert np.diff(got.time_of_flight)[0] == pytest.approx(0.01 * lag, abs=2e-3)
