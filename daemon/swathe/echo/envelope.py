"""Analytic signal and envelope of A-scans, with an optional zero-phase band-pass.

The analytic signal is the signal itself with its Hilbert transform as imaginary part; made, as is
usual, by taking the negative frequencies away and doubling the positive ones (S. L. Marple,
Computing the discrete-time analytic signal via FFT, IEEE Trans. Signal Processing 47 (1999) 2600;
from memory). A band-pass is one more factor on the same spectrum.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.echo.settings import BandSettings

__all__ = ["analytic_signal", "envelope"]

# Half the bandwidth is where a Gaussian has fallen by 6 dB, in natural logarithm.
_MINUS_6_DB = 0.3 * math.log(10.0)
# Of the band-pass's Gaussian answer to a spike, so many standard deviations are kept apart.
_REACH = 4.0
# The FFT transforms as many rows at once as a vector register has numbers, and the rows that are
# left over by code that rounds differently (scipy 1.18). Rows are padded to the widest register, so
# that the result of a row does not depend on how many others there are.
_LANES = 16


def analytic_signal(
    waveforms: NDArray[Any], *, interval_us: float = 1.0, band: BandSettings | None = None
) -> NDArray[np.complex64]:
    """Return the analytic signal of each A-scan, shape (n, samples).

    Without a band its real part is the A-scan itself; both ends of the record are taken to meet.
    With a band the mean is taken off, and silence is put between the ends.

    Args:
        waveforms: signed, shape (n, samples).
        interval_us: between two samples, µs.
        band: what is let through; None is everything.
    """
    # Imported for A-scans only: SciPy takes a tenth of a second to import.
    from scipy import fft

    data = np.asarray(waveforms, np.float32)
    count, samples = data.shape
    if missing := -count % _LANES:
        data = np.concatenate((data, np.zeros((missing, samples), np.float32)))
    size = samples
    if band is not None:
        # The mean is removed first, or else an offset would end in a step where silence is put.
        data = data - data.mean(axis=-1, keepdims=True)
        # A Gaussian in frequency, see `_weights`, is a Gaussian in time.
        sigma = math.sqrt(2 * _MINUS_6_DB) / (math.pi * band.centre * band.bandwidth / 100)
        size = fft.next_fast_len(samples + math.ceil(_REACH * sigma / interval_us), real=True)
    half = size // 2 + 1
    spectrum = np.zeros((data.shape[0], size), np.complex64)
    np.multiply(
        fft.rfft(data, size, axis=-1), _weights(size, interval_us, band), out=spectrum[:, :half]
    )
    found: NDArray[np.complex64] = fft.ifft(spectrum, axis=-1, overwrite_x=True)
    return found[:count, :samples]


def envelope(
    waveforms: NDArray[Any], *, interval_us: float = 1.0, band: BandSettings | None = None
) -> NDArray[np.float32]:
    """Return the magnitude of the analytic signal, shape (n, samples); see `analytic_signal`."""
    return np.abs(analytic_signal(waveforms, interval_us=interval_us, band=band))


def _weights(size: int, interval_us: float, band: BandSettings | None) -> NDArray[np.float32]:
    """Return the factor of every frequency from 0 to half the sampling rate."""
    weights = np.full(size // 2 + 1, 2.0)
    # Zero frequency, and half the sampling rate when it is among them, have no negative twin.
    weights[0] = 1.0
    if size % 2 == 0:
        weights[-1] = 1.0
    if band is not None:
        frequency = np.arange(weights.size) / (size * interval_us)  # MHz
        off = (frequency - band.centre) / (band.centre * band.bandwidth / 200)
        weights *= np.exp(-_MINUS_6_DB * off**2)
    return weights.astype(np.float32)
