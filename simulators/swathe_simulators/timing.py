"""Clocks that run wrong and lines that arrive late."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swathe_simulators.base import Floats
from swathe_simulators.device_models import ClockModel, LatencyModel

BITS_PER_BYTE = 10
"""Start bit, eight data bits, stop bit."""


def stamps(clock: ClockModel, wall_s: Floats) -> npt.NDArray[np.uint64]:
    """Return what a device's clock shows, unsigned µs.

    Args:
        clock: its offset, skew and roll-over.
        wall_s: real seconds since the world was switched on, shape (n,).
    """
    ticks = np.floor(np.maximum(wall_s, 0.0) * (1e6 + clock.skew_ppm)).astype(np.uint64)
    shown = ticks + np.uint64(clock.offset_us)
    if clock.wrap_bits is not None and clock.wrap_bits < 64:
        shown &= np.uint64((1 << clock.wrap_bits) - 1)
    return shown


def draw_jitter(model: LatencyModel, size: int, random: np.random.Generator) -> Floats:
    """Return random delays in world seconds with the model's mean, shape (size,).

    The gamma law has shape 2, so that the quickest lines are rare; the exponential one
    has them most often.
    """
    mean = model.jitter_ms / 1e3
    if model.shape == "gamma":
        return random.standard_gamma(2.0, size=size) * (mean / 2.0)
    return random.standard_exponential(size=size) * mean


def deliveries(ready_s: Floats, transmission_s: Floats, line_free_s: float) -> Floats:
    """Return when each line has left its port completely, in order.

    A line starts when it is ready and the one before it is through:
    end[i] = max(ready[i], end[i-1]) + transmission[i], solved without a loop.

    Args:
        ready_s: when each line is handed to the port, shape (n,).
        transmission_s: how long its bytes take, shape (n,).
        line_free_s: when the port is through with what came before.
    """
    total = np.cumsum(transmission_s)
    begin = np.maximum.accumulate(np.maximum(ready_s, line_free_s) - (total - transmission_s))
    return begin + total
