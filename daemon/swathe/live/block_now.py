"""What the gauge reads on a block now: whether the probe was put on again, and holds still."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.calibration import Stability
from swathe.display_units import DisplayUnits

__all__ = ["READINGS_OF_A_STEP", "STEADY_MM", "BlockNow", "block_now"]

READINGS_OF_A_STEP = 20
"""Readings in a row that must agree."""
STEADY_MM = 0.1
"""Greatest spread among them, mm."""
# The gauge is silent, so that the probe is off, after so long, or so many of its usual intervals.
_OFF_NS = 500_000_000
_OFF_INTERVALS = 4
# A reading that differs by more from the step before was taken elsewhere.
_ELSEWHERE_MM = 2 * STEADY_MM


@dataclass(frozen=True, slots=True)
class BlockNow:
    """The newest readings since the probe was put on; lengths in mm, host times in ns.

    Attributes:
        value: mean of those that a step is read with; NaN while the probe is off.
        spread: maximum less minimum of them; NaN likewise.
        readings: how many there are, at most those that a step takes.
        steady: whether they are enough, agree and do not drift.
        lifted: whether the probe was off, or elsewhere, since the step before.
        reason: why they are not steady; empty when they are.
        begin: time of the first of them; 0 without one.
        end: of the last one.
    """

    value: float = math.nan
    spread: float = math.nan
    readings: int = 0
    steady: bool = False
    lifted: bool = False
    reason: str = ""
    begin: int = 0
    end: int = 0


def block_now(
    readings: NDArray[Any], *, now: int, before: float, since: int, display: DisplayUnits
) -> BlockNow:
    """Return what the readings since a step, or since the check began, show.

    Args:
        readings: columns time, thickness and valid, in the order of time, shape (n,).
        now: host time, ns: after a silence up to it the probe is off.
        before: what was read on the step before, mm; NaN for none.
        since: host time of that step's last reading, or of the begin of the check, ns.
        display: the unit of the reason.
    """
    times = readings["time"]
    if not times.size:
        return BlockNow(lifted=now - since > _OFF_NS, reason="the gauge sends nothing")
    thickness = readings["thickness"]
    echo = readings["valid"] & np.isfinite(thickness)
    steps = np.diff(times, prepend=since)
    silence = max(_OFF_NS, _OFF_INTERVALS * int(np.median(steps)))
    begins = echo & _after_off(echo, steps > silence)
    elsewhere = echo & (np.abs(thickness - before) > _ELSEWHERE_MM)  # never beyond NaN
    is_off = not echo[-1] or now - int(times[-1]) > silence
    lifted = bool(begins.any() or elsewhere.any())
    if is_off:
        return BlockNow(lifted=True, reason="no echo: put the probe on, and look at the couplant")
    # What was read before the probe was put on for the last time is of no step.
    on = np.flatnonzero(begins)
    first = int(on[-1]) if on.size else 0
    last = thickness[first:][-READINGS_OF_A_STEP:]
    state = Stability(window=READINGS_OF_A_STEP, tolerance=STEADY_MM, unit="mm").feed(last)
    reason = ""
    if state.readings < READINGS_OF_A_STEP:
        reason = f"{state.readings} of {READINGS_OF_A_STEP} readings: hold the probe still"
    elif state.spread > STEADY_MM:
        spread, most = display.difference_text(state.spread), display.difference_text(STEADY_MM)
        reason = f"not steady, they spread over {spread}, more than {most}: hold the probe still"
    elif not state.stable:
        drift = display.difference_text(state.drift, sign=True)
        reason = f"they drift by {drift}: wait until the couplant film has settled"
    return BlockNow(
        value=state.mean,
        spread=state.spread,
        readings=state.readings,
        steady=state.stable,
        lifted=lifted,
        reason=reason,
        begin=int(times[first:][-READINGS_OF_A_STEP:][0]),
        end=int(times[-1]),
    )


def _after_off(echo: Bools, silent: Bools) -> Bools:
    """Return before which readings the probe was off: no echo, or a silence."""
    off = np.concatenate(([False], ~echo[:-1])) | silent
    return np.asarray(off)
