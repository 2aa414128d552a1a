"""The share of a rounded value's error that repeating it does not average out.

A value shown in steps of `width` is off by up to half a step. Where readings scatter by less than a
fraction of the step they all show the same digit and the error stays: its standard uncertainty is
``width / sqrt(12)`` (rectangular, JCGM 100:2008 F.2.2.1). Where they scatter by more, the digit
changes from reading to reading: the rounding is then a part of the scatter that is observed, and to
add it again would count it twice.

Between the two the mean rounding error is a periodic function of the true value, of which the k-th
harmonic is ``width / (pi k) exp(-2 (pi k sd / width)²)`` for normal scatter `sd` (Fourier series of
the sawtooth, as in Widrow and Kollár, Quantization Noise, 2008; from memory, checked by simulation in
the tests). Its root mean square is what remains. An observed standard deviation contains the
rounding's own ``width² / 12`` (Sheppard's correction, from memory), which is taken off first.
"""

from __future__ import annotations

import math

import numpy as np

__all__ = ["rounding_uncertainty"]

# For scatter above this share of the step less than a millionth of the step remains.
_AVERAGED = 1.0
_HARMONICS = 64


def rounding_uncertainty(width: float, observed_sd: float) -> float:
    """Return the standard uncertainty that the mean of many rounded readings keeps.

    Args:
        width: of the last digit, 0 or more.
        observed_sd: standard deviation of the rounded readings, in the same unit; NaN counts as none.

    Returns:
        From ``width / sqrt(12)`` without scatter to 0 with much of it.
    """
    if width <= 0:
        return 0.0
    variance = 0.0 if math.isnan(observed_sd) else observed_sd**2 - width**2 / 12
    if variance <= 0:
        return width / math.sqrt(12)
    sd = math.sqrt(variance) / width
    if sd > _AVERAGED:
        return 0.0
    k = np.arange(1, _HARMONICS + 1)
    squares = np.exp(-((2 * math.pi * k * sd) ** 2)) / (2 * (math.pi * k) ** 2)
    # 64 of the harmonics miss less than a hundredth of the sum where there is no scatter.
    return min(width * math.sqrt(float(squares.sum())), width / math.sqrt(12))
