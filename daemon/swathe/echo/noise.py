"""How much an A-scan's own noise moves what is measured in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["CERTAIN", "noise_of"]

CERTAIN = 4.0
"""Standard deviations of the noise beyond which two heights are different (common practice, no
source): of a normal distribution 3e-5 is farther out to one side."""

_BLOCKS = 16
# Of so many blocks the quietest quarter is taken as free of echoes. A quantile below the middle is
# below the noise: 0.90 of white noise, 0.77 of noise behind a band-pass at a tenth of the sampling
# rate (simulated, 512 samples).
_QUIET = 3
_BIAS = 1.3
# Rounding of an 8-bit converter: one count of 100/127 %, as a rectangular distribution
# (JCGM 100:2008, 4.3.7).
_ROUNDING = 100 / 127 / 12**0.5


def noise_of(signal: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the RMS of the noise of each A-scan, % of full screen height, shape (n,).

    It is that of its quietest stretches, each a sixteenth of the record; at least the rounding of
    an 8-bit converter. Echoes in more than three quarters of a record are taken for noise.

    Args:
        signal: the trace that is measured, shape (n, samples).
    """
    count, samples = signal.shape
    size = max(samples // _BLOCKS, 1)
    blocks = signal[:, : samples // size * size].reshape(count, samples // size, size)
    power = np.einsum("nbk,nbk->nb", blocks, blocks) / np.float32(size)
    quiet = min(_QUIET, power.shape[1] - 1)
    lowest = np.partition(power, quiet, axis=1)[:, quiet]
    return np.maximum(np.float32(_BIAS) * np.sqrt(lowest), np.float32(_ROUNDING))
