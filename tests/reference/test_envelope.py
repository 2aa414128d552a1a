"""The analytic signal against `scipy.signal.hilbert` (scipy 1.17.1), in single precision."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from swathe.echo import analytic_signal, envelope


@pytest.mark.parametrize("samples", [4, 63, 64, 311, 512, 1000, 1021])
def test_analytic_signal_is_scipys(samples: int) -> None:
    """Noise of any length, even, odd or prime, has scipy's analytic signal and envelope."""
    waves = np.random.default_rng(samples).normal(0, 30, (17, samples)).astype(np.float32)
    expected = hilbert(waves.astype(np.float64), axis=-1)
    assert np.allclose(analytic_signal(waves), expected, atol=2e-4)
    assert np.allclose(envelope(waves), np.abs(expected), atol=2e-4)
